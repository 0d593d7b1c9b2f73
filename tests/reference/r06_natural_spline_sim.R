# Natural cubic spline in an interval-censored lognormal regression (case r06).
# Run in this folder: Rscript r06_natural_spline_sim.R
library(jsonlite); library(survival); library(splines)
case <- fromJSON("r06_natural_spline_sim.json", simplifyVector = FALSE)
rows <- t(sapply(case$data$rows, function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
data <- data.frame(bmi = rows[, 1], l = ifelse(rows[, 2] == 0, NA, rows[, 2]), r = ifelse(is.infinite(rows[, 3]), NA, rows[, 3]))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
tight <- survreg.control(rel.tolerance = 1e-14, maxiter = 200)
fit <- survreg(Surv(l, r, type = "interval2") ~ ns(bmi, knots = c(25, 30), Boundary.knots = c(18, 42)),
               data = data, dist = "lognormal", control = tight)
at <- data.frame(bmi = unlist(case$data$at_bmi))
fitted <- predict(fit, at, type = "lp", se.fit = TRUE)
straight <- survreg(Surv(l, r, type = "interval2") ~ bmi, data = data, dist = "lognormal", control = tight)
show("loglik", fit$loglik[2]); show("scale", fit$scale); show("aic", AIC(fit)); show("n_parameters", attr(logLik(fit), "df"))
show("fitted_log_ma", unname(fitted$fit)); show("se_fitted", unname(fitted$se.fit))
show("straight.loglik", straight$loglik[2]); show("straight.aic", AIC(straight))
show("lr_nonlinear", 2 * (fit$loglik[2] - straight$loglik[2]))
