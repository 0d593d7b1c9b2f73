# Gamma accelerated failure time regression of the breast cosmesis intervals (case r01).
# Run in this folder: Rscript r01_gamma_aft_breast_cosmesis.R
# Own likelihood with pgamma; nlm, then Newton steps with numDeriv derivatives; numDeriv::hessian for the information.
library(jsonlite); library(numDeriv)
case <- fromJSON("r01_gamma_aft_breast_cosmesis.json", simplifyVector = FALSE)
rows <- function(name) t(sapply(case$data[[name]], function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
bounds <- rbind(rows("radiation"), rows("radiation_chemo"))
chemo <- rep(0:1, c(length(case$data$radiation), length(case$data$radiation_chemo)))
left <- bounds[, 1]; right <- bounds[, 2]

negloglik <- function(par) {                       # par: b0, b1, log(shape)
  scale <- exp(par[1] + par[2] * chemo); shape <- exp(par[3])
  -sum(log(pgamma(left / scale, shape, lower.tail = FALSE) - pgamma(right / scale, shape, lower.tail = FALSE)))
}
fit <- nlm(negloglik, c(3, -0.5, 0.3), gradtol = 1e-10, steptol = 1e-12, iterlim = 500)
par <- fit$estimate
for (i in 1:4) par <- par - solve(hessian(negloglik, par), grad(negloglik, par))
covariance <- solve(hessian(negloglik, par))       # of (b0, b1, log shape)
se <- sqrt(diag(covariance))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
show("intercept", par[1]); show("coef_chemo", par[2]); show("shape", exp(par[3])); show("loglik", -negloglik(par))
show("se_intercept", se[1]); show("se_chemo", se[2]); show("se_shape", se[3] * exp(par[3])); show("se_log_shape", se[3])
show("corr_intercept_log_shape", covariance[1, 3] / se[1] / se[3])
show("max_abs_gradient", max(abs(grad(negloglik, par))))
