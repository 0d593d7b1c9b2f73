# Two latent classes: pathologists by optim, three readers by e1071's lca (EM), Hui and Walter's tables by optim (case r10).
# Run in this folder: Rscript r10_latent_classes.R
library(jsonlite); library(e1071)
case <- fromJSON("r10_latent_classes.json", simplifyVector = FALSE)
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
climb <- function(start, minus) {
  for (i in 1:6) start <- optim(start, minus, method = "BFGS", control = list(reltol = 1e-16, maxit = 5000))$par
  start
}
# lca gives NaN for the pathologists, because three probabilities reach 0 and two reach 1
x <- t(sapply(case$data$carcinoma$patterns, function(p) as.numeric(strsplit(p, "")[[1]])))
count <- unlist(case$data$carcinoma$counts)
given <- function(p) apply(x, 1, function(row) prod(ifelse(row == 1, p, 1 - p)))
minus <- function(theta) {
  p <- plogis(theta); -sum(count * log(p[1] * given(p[2:8]) + (1 - p[1]) * given(p[9:15])))
}
best <- climb(c(0, rep(1.5, 7), rep(-1.5, 7)), minus)
show("carcinoma.log_likelihood", -minus(best)); show("carcinoma.share", plogis(best[1]))
show("carcinoma.sensitivity", plogis(best[2:8])); show("carcinoma.false_positive", plogis(best[9:15]))
cells <- as.matrix(expand.grid(C = 0:1, B = 0:1, A = 0:1))[, 3:1]
y <- cells[rep(1:8, unlist(case$data$pleural_thickening$counts)), ]
set.seed(1)
fit <- lca(y, 2, niter = 5000); yes <- which.max(rowSums(fit$p))
show("pleural.log_likelihood", fit$logl); show("pleural.share", fit$classprob[yes])
show("pleural.sensitivity", fit$p[yes, ]); show("pleural.false_positive", fit$p[3 - yes, ])
# shares of two groups, then probabilities of yes in the two classes
table <- matrix(unlist(case$data$hui_walter$counts), nrow = 2, byrow = TRUE)  # rows are groups, columns 11, 10, 01, 00
joint <- function(q) c(q[1] * q[2], q[1] * (1 - q[2]), (1 - q[1]) * q[2], (1 - q[1]) * (1 - q[2]))
minus <- function(theta) {
  p <- plogis(theta); total <- 0
  for (g in 1:2) total <- total - sum(table[g, ] * log(p[g] * joint(p[3:4]) + (1 - p[g]) * joint(p[5:6])))
  total
}
best <- climb(c(-3, 1, 3, 3, -4, -4), minus)
show("hui_walter.log_likelihood", -minus(best)); show("hui_walter.estimate", plogis(best))
