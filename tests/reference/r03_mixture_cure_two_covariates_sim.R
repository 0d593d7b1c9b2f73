# Mixture cure regression, lognormal and Weibull, with a covariate on each part (case r03).
# Run in this folder: Rscript r03_mixture_cure_two_covariates_sim.R
# Own likelihood; optim BFGS, then Newton steps with numDeriv derivatives; numDeriv::hessian; uniroot for the limits.
library(jsonlite); library(numDeriv)
case <- fromJSON("r03_mixture_cure_two_covariates_sim.json", simplifyVector = FALSE)
rows <- t(sapply(case$data$rows, function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
lower <- rows[, 1]; upper <- rows[, 2]; x <- rows[, 3]; z <- rows[, 4]; count <- rows[, 5]
tails <- list(lognormal = function(e) pnorm(e, lower.tail = FALSE), weibull = function(e) exp(-exp(e)))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

probability <- function(tail, mu, sigma, capturable) {
  inside <- tail((log(lower) - mu) / sigma) - tail((log(upper) - mu) / sigma)
  capturable * inside + (1 - capturable) * is.infinite(upper)
}
polish <- function(negative, start) {
  fit <- optim(start, negative, method = "BFGS", control = list(reltol = 1e-14, maxit = 2000))
  par <- fit$par
  for (i in 1:4) par <- par - solve(hessian(negative, par), grad(negative, par))
  par
}
for (name in names(tails)) {
  tail <- tails[[name]]
  negative <- function(par) -sum(count * log(probability(tail, par[1] + par[2] * x, exp(par[3]), plogis(par[4] + par[5] * z))))
  par <- polish(negative, c(4.2, 0, -1.2, 1.5, 0))
  se <- sqrt(diag(solve(hessian(negative, par, method.args = list(d = 0.01)))))   # the default first step 0.1 costs 3e-5
  show(paste0(name, ".intercept"), par[1]); show(paste0(name, ".coef_x"), par[2]); show(paste0(name, ".scale"), exp(par[3]))
  show(paste0(name, ".logit_intercept"), par[4]); show(paste0(name, ".logit_coef_z"), par[5])
  show(paste0(name, ".loglik"), -negative(par))
  show(paste0(name, ".se"), c(se[1:2], se[3], se[4:5]))
  show(paste0(name, ".max_abs_gradient"), max(abs(grad(negative, par))))
  only <- function(par) -sum(count * log(probability(tail, par[1], exp(par[2]), plogis(par[3]))))
  par0 <- polish(only, c(4.2, -1.2, 1.5))
  show(paste0(name, ".only.mu"), par0[1]); show(paste0(name, ".only.scale"), exp(par0[2]))
  show(paste0(name, ".only.never_share"), 1 - plogis(par0[3])); show(paste0(name, ".only.loglik"), -only(par0))
  gap <- function(share) {
    inner <- optim(par0[1:2], function(p) only(c(p, qlogis(1 - share))), control = list(reltol = 1e-15, maxit = 5000))
    2 * (inner$value - only(par0)) - qchisq(0.95, 1)
  }
  best <- 1 - plogis(par0[3])
  show(paste0(name, ".only.never_share_profile_ci95"),
       c(uniroot(gap, c(best / 3, best), tol = 1e-11)$root, uniroot(gap, c(best, 2 * best), tol = 1e-11)$root))
}
