# Proportions, likelihood ratios and kappa of clustered steps; partial verification by maximum likelihood (case r09).
# Run in this folder: Rscript r09_clustered_accuracy.R
library(jsonlite); suppressMessages(library(survey))
case <- fromJSON("r09_clustered_accuracy.json")
d <- as.data.frame(case$data$steps)
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
d$one <- 1
design <- svydesign(ids = ~patient, weights = ~one, data = d)
m <- svymean(~sign, design)
show("sign.se", as.numeric(SE(m)))
b <- svyciprop(~sign, design, method = "beta")
show("sign.beta_ci95", as.numeric(confint(b)))
by <- svyby(~sign, ~reference, design, svymean, covmat = TRUE)
show("lr_positive.log_se", as.numeric(SE(svycontrast(by, quote(log(`1` / `0`))))))
show("lr_negative.log_se", as.numeric(SE(svycontrast(by, quote(log((1 - `1`) / (1 - `0`)))))))
kappa <- function(w, data) {
  t <- xtabs(w ~ sign + reference, data); p <- t / sum(t)
  pe <- sum(rowSums(p) * colSums(p)); (sum(diag(p)) - pe) / (1 - pe)
}
jk <- as.svrepdesign(design, type = "JK1")
k <- withReplicates(jk, kappa)
show("kappa", as.numeric(k)); show("kappa.jackknife_se", as.numeric(SE(k)))
# maximum likelihood of sign and capture with unverified steps (missing at random), Hessian by optimHess
x <- unlist(case$data$verification)
loglik <- function(t) {
  p <- plogis(t)
  x["present"] * log(p[1]) + x["absent"] * log(1 - p[1]) + x["tp"] * log(p[2]) + x["fp"] * log(1 - p[2]) +
    x["fn"] * log(p[3]) + x["tn"] * log(1 - p[3])
}
fit <- optim(c(0, 0, 0), function(t) -loglik(t), method = "BFGS", control = list(reltol = 1e-15, maxit = 1000))
t <- qlogis(c(x["present"] / (x["present"] + x["absent"]), x["tp"] / (x["tp"] + x["fp"]), x["fn"] / (x["fn"] + x["tn"])))
stopifnot(max(abs(t - fit$par)) < 1e-4)
V <- solve(optimHess(t, function(t) -loglik(t), control = list(ndeps = rep(1e-4, 3))))
logit_sens <- function(t) { p <- plogis(t); qlogis(p[1] * p[2] / (p[1] * p[2] + (1 - p[1]) * p[3])) }
logit_spec <- function(t) { p <- plogis(t); b <- (1 - p[1]) * (1 - p[3]); qlogis(b / (b + p[1] * (1 - p[2]))) }
for (name in c("sensitivity", "specificity")) {
  f <- if (name == "sensitivity") logit_sens else logit_spec
  g <- sapply(1:3, function(i) { h <- rep(0, 3); h[i] <- 1e-5; (f(t + h) - f(t - h)) / 2e-5 })
  se <- sqrt(drop(t(g) %*% V %*% g))
  show(paste0("verification.", name), plogis(f(t))); show(paste0("verification.", name, ".logit_ci95"), plogis(f(t) + c(-1, 1) * qnorm(0.975) * se))
}
