# Interval-censored regression with cluster-robust covariance (case r05).
# Run in this folder: Rscript r05_cluster_robust_sim.R
# survreg for the fit and the naive covariance; the sandwich from numDeriv scores, because survreg's own robust covariance
# takes the derivative to log(scale) of interval-censored rows with the wrong sign (residuals.survreg, column "ds").
library(jsonlite); library(survival); library(numDeriv)
case <- fromJSON("r05_cluster_robust_sim.json", simplifyVector = FALSE)
rows <- t(sapply(case$data$rows, function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
lower <- rows[, 4]; upper <- rows[, 5]
data <- data.frame(id = rows[, 1], x = rows[, 2], y = rows[, 3],
                   l = ifelse(lower == 0, NA, lower), r = ifelse(is.infinite(upper), NA, upper))
design <- cbind(1, data$x, data$y)
tails <- list(lognormal = function(e) pnorm(e, lower.tail = FALSE), weibull = function(e) exp(-exp(e)), loglogistic = function(e) plogis(-e))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
tight <- survreg.control(rel.tolerance = 1e-14, maxiter = 200)
for (name in names(tails)) {
  fit <- survreg(Surv(l, r, type = "interval2") ~ x + y + cluster(id), data = data, dist = name, control = tight)
  show(paste0(name, ".coef"), unname(fit$coefficients)); show(paste0(name, ".scale"), fit$scale)
  show(paste0(name, ".loglik"), fit$loglik[2])
  show(paste0(name, ".se_naive"), unname(sqrt(diag(fit$naive.var))))     # intercept, x, y, log(scale)
  terms <- function(par) {
    mean <- drop(design %*% par[1:3]); scale <- exp(par[4])
    log(tails[[name]]((log(lower) - mean) / scale) - tails[[name]]((log(upper) - mean) / scale))
  }
  summed <- rowsum(jacobian(terms, c(fit$coefficients, log(fit$scale))), data$id)
  robust <- fit$naive.var %*% crossprod(summed) %*% fit$naive.var
  show(paste0(name, ".se_robust"), unname(sqrt(diag(robust)))); show(paste0(name, ".cov_robust_x_y"), robust[2, 3])
  show(paste0(name, ".survreg.se_robust"), unname(sqrt(diag(fit$var))))
  turned <- resid(fit, "matrix")
  between <- lower > 0 & is.finite(upper)
  show(paste0(name, ".survreg.sum_of_ds"), sum(turned[, "ds"]))          # zero at a maximum, if the derivative is right
  turned[between, "ds"] <- -turned[between, "ds"]
  mended <- rowsum(cbind(turned[, "dg"] * design, turned[, "ds"]), data$id)
  show(paste0(name, ".survreg.se_robust_sign_mended"), unname(sqrt(diag(fit$naive.var %*% crossprod(mended) %*% fit$naive.var))))
}
