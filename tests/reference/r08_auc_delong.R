# Area under the curve, DeLong's variance, and a bootstrap of clusters (case r08).
# Run in this folder: Rscript r08_auc_delong.R
library(jsonlite); suppressMessages(library(pROC))
case <- fromJSON("r08_auc_delong.json")
d <- case$data
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
r <- roc(d$positive, d$value, direction = "<", levels = c(0, 1), quiet = TRUE)
a <- as.numeric(auc(r)); v <- var(r, method = "delong")
show("auc", a); show("delong_variance", v)
show("delong_ci95", as.numeric(ci.auc(r, method = "delong"))[c(1, 3)])
show("logit_ci95", plogis(qlogis(a) + c(-1, 1) * qnorm(0.975) * sqrt(v) / (a * (1 - a))))
best <- coords(r, "best", best.method = "youden", ret = c("threshold", "sensitivity", "specificity"), transpose = FALSE)
show("youden_sensitivity", best$sensitivity); show("youden_specificity", best$specificity); show("youden_midpoint", best$threshold)
