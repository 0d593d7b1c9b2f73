# Generalised gamma (Prentice parametrisation) for the breast cosmesis intervals (case r02).
# Run in this folder: Rscript r02_generalised_gamma_breast_cosmesis.R
# Own likelihood with pgamma/pnorm; optim from several starts, then Newton steps with numDeriv derivatives.
library(jsonlite); library(numDeriv)
case <- fromJSON("r02_generalised_gamma_breast_cosmesis.json", simplifyVector = FALSE)
rows <- function(name) t(sapply(case$data[[name]], function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
radiation <- rows("radiation"); chemo <- rows("radiation_chemo")

survival <- function(t, mu, sigma, q) {
  w <- (log(t) - mu) / sigma
  if (q == 0) return(pnorm(w, lower.tail = FALSE))
  pgamma(exp(q * w) / q^2, 1 / q^2, lower.tail = q < 0)
}
loglik <- function(bounds, mu, sigma, q) sum(log(survival(bounds[, 1], mu, sigma, q) - survival(bounds[, 2], mu, sigma, q)))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

maximise <- function(negative, starts) {
  best <- NULL
  for (start in starts) {
    one <- optim(start, negative, method = "Nelder-Mead", control = list(reltol = 1e-14, maxit = 20000))
    if (is.null(best) || one$value < best$value) best <- one
  }
  par <- best$par
  for (i in 1:4) par <- par - solve(hessian(negative, par), grad(negative, par))
  list(par = par, loglik = -negative(par), covariance = solve(hessian(negative, par)), gradient = grad(negative, par))
}
report <- function(name, fit, profile) {
  p <- length(fit$par); se <- sqrt(diag(fit$covariance))
  show(paste0(name, ".mu"), fit$par[1])
  if (p == 4) show(paste0(name, ".coef_chemo"), fit$par[2])
  show(paste0(name, ".sigma"), exp(fit$par[p - 1])); show(paste0(name, ".q"), fit$par[p])
  show(paste0(name, ".loglik"), fit$loglik)
  show(paste0(name, ".se_mu"), se[1]); show(paste0(name, ".se_sigma"), se[p - 1] * exp(fit$par[p - 1]))
  show(paste0(name, ".se_q"), se[p])
  if (p == 4) show(paste0(name, ".se_chemo"), se[2])
  show(paste0(name, ".max_abs_gradient"), max(abs(fit$gradient)))
  for (q in c(-0.5, 0, 0.5, 1, 1.5, 2)) show(sprintf("%s.profile_loglik_q=%g", name, q), profile(q))
}
for (arm in c("radiation", "radiation_chemo")) {
  bounds <- rows(arm)
  negative <- function(par) -loglik(bounds, par[1], exp(par[2]), par[3])
  fit <- maximise(negative, list(c(3.5, -0.4, 0.5), c(3, -0.2, -0.5), c(3.8, -0.8, 1.5)))
  profile <- function(q) {
    one <- optim(fit$par[1:2], function(par) negative(c(par, q)), control = list(reltol = 1e-15, maxit = 5000))
    -one$value
  }
  report(arm, fit, profile)
}
negative <- function(par) -loglik(radiation, par[1], exp(par[3]), par[4]) - loglik(chemo, par[1] + par[2], exp(par[3]), par[4])
fit <- maximise(negative, list(c(3.8, -0.5, -0.4, 0.5), c(3.5, -0.4, -0.2, -0.5), c(3.9, -0.5, -0.8, 1.5)))
profile <- function(q) {
  one <- optim(fit$par[1:3], function(par) negative(c(par, q)), control = list(reltol = 1e-15, maxit = 10000))
  -one$value
}
report("both", fit, profile)
for (q in c(-0.5, 1e-6, 0.3, 1, 2)) show(sprintf("fixed.both.q=%g", q), -negative(c(3.7, -0.5, log(0.8), q)))
show("fixed.both.q=0", -negative(c(3.7, -0.5, log(0.8), 0)))
# radiation alone: a plateau at large Q, and a point at which exp(q w) underflows, by the leading power series in logarithms
show("fixed.radiation.q=5", loglik(radiation, 4.343833, 0.2123658, 5))
log_cdf <- function(t, mu, sigma, q) {             # log P(a, x) = a log x - log Gamma(a + 1) + log(sum of the series), Q > 0
  a <- 1 / q^2; log_x <- q * (log(t) - mu) / sigma - 2 * log(q); x <- exp(log_x)
  a * log_x - lgamma(a + 1) + log(sapply(x, function(one) { k <- 0:80; a * sum((-1)^k * one^k / factorial(k) / (a + k)) }))
}
cdf <- function(t) ifelse(is.infinite(t), 1, ifelse(t == 0, 0, exp(log_cdf(ifelse(is.infinite(t), 1, t), 4.360566, 0.06031234, 15))))
show("fixed.radiation.q=15", sum(log(cdf(radiation[, 2]) - cdf(radiation[, 1]))))
show("naive.radiation.q=15", loglik(radiation, 4.360566, 0.06031234, 15))
