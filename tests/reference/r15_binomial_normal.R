# Binomial-normal model of proportions: metafor's rma.glmm, lme4's glmer, and a dense trapezoidal rule with optim (case r15).
# Run in this folder: Rscript r15_binomial_normal.R
suppressMessages({library(jsonlite); library(lme4); library(metafor)})
case <- fromJSON("r15_binomial_normal.json")
show <- function(key, value) cat(key, format(value, digits = 12, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

# log-likelihood with binomial coefficients, from 8,001 equidistant points of the standard normal
z <- seq(-10, 10, length.out = 8001); w <- dnorm(z) * (z[2] - z[1])
loglik <- function(mu, tau, x, n) sum(sapply(seq_along(x), function(i) {
  h <- dbinom(x[i], n[i], plogis(mu + tau * z), log = TRUE); m <- max(h); m + log(sum(w * exp(h - m)))
}))
# half of the drop of a profile limit of mu, over tau
profile <- function(mu, x, n) -optimize(function(tau) -loglik(mu, tau, x, n), c(0, 12), tol = 1e-8)$objective

for (name in names(case$data)) {
  x <- case$data[[name]][, 1]; n <- case$data[[name]][, 2]; k <- length(x)
  # Nelder and Mead first: BFGS alone may step to a flat region
  minus <- function(p) -loglik(p[1], p[2], x, n)
  start <- optim(c(qlogis(sum(x) / sum(n)), 0.5), minus, control = list(reltol = 1e-12))$par
  for (i in 1:3) start <- optim(start, minus, method = "BFGS", control = list(reltol = 1e-15, ndeps = c(1e-4, 1e-4)))$par
  top <- loglik(start[1], abs(start[2]), x, n)
  show(paste0(name, ".mu"), start[1]); show(paste0(name, ".tau"), abs(start[2])); show(paste0(name, ".log_likelihood"), top)
  null <- loglik(qlogis(sum(x) / sum(n)), 0, x, n)
  show(paste0(name, ".tau_zero_log_likelihood"), null)
  if (name %in% c("few_uneven", "ends", "two", "stijnen_control")) {
    gap <- function(mu) profile(mu, x, n) - top + qchisq(0.95, 1) / 2
    show(paste0(name, ".profile_mu"), c(uniroot(gap, c(start[1] - 12, start[1]), tol = 1e-9)$root,
                                        uniroot(gap, c(start[1], start[1] + 12), tol = 1e-9)$root))
  }
  d <- data.frame(x, n, study = factor(seq_along(x)))
  fit_with <- function(tolerance) suppressMessages(suppressWarnings(glmer(
    cbind(x, n - x) ~ 1 + (1 | study), d, binomial, nAGQ = 25,
    control = glmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9), tolPwrss = tolerance))))
  fit <- tryCatch(fit_with(1e-12), error = function(e) fit_with(1e-7))  # the strict one stops where tau is 0
  show(paste0(name, ".glmer"), c(fixef(fit), sqrt(unlist(VarCorr(fit))), sqrt(vcov(fit)[1])))
  # with nAGQ > 1 glmer leaves the saturated log-likelihood out
  show(paste0(name, ".glmer_log_likelihood"), as.numeric(logLik(fit)) + sum(dbinom(x, n, x / n, log = TRUE)))
  fit <- suppressWarnings(rma.glmm(measure = "PLO", xi = x, ni = n, nAGQ = 25))
  show(paste0(name, ".rma_glmm"), c(fit$beta, sqrt(fit$tau2), fit$se))
}
