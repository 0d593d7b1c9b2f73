# Nonparametric maximum likelihood of intervals from mixed grids (case r04).
# Run in this folder: Rscript r04_npmle_mixed_grids.R
# survival::survfit at its default, beside npsurv::npsurv (constrained Newton) on the same intervals.
library(jsonlite); library(survival); library(npsurv)
case <- fromJSON("r04_npmle_mixed_grids.json", simplifyVector = FALSE)
rows <- function(name) t(sapply(case$data[[name]], function(row) as.numeric(sub("inf", "Inf", unlist(row)))))
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

surv_of <- function(bounds) {
  left <- ifelse(bounds[, 1] == 0, NA, bounds[, 1]); right <- ifelse(is.infinite(bounds[, 2]), NA, bounds[, 2])
  Surv(left, right, type = "interval2")
}
bounds <- rows("rows")
fit <- survfit(surv_of(bounds) ~ 1)
steps <- -diff(c(1, fit$surv)); last <- tail(fit$surv, 1)
ends <- sort(unique(c(bounds)))                    # innermost intervals: a left end followed at once by a right end
inner <- which(ends[-length(ends)] %in% bounds[, 1] & ends[-1] %in% bounds[, 2])
support <- cbind(ends[inner], ends[inner + 1])
mass <- sapply(seq_len(nrow(support)), function(j)
  if (is.infinite(support[j, 2])) last else sum(steps[fit$time > support[j, 1] & fit$time <= support[j, 2]]))
inside <- outer(bounds[, 1], support[, 1], "<=") & outer(bounds[, 2], support[, 2], ">=")
show("survfit.masses", mass); show("survfit.mass_total", sum(mass)); show("survfit.loglik", sum(log(inside %*% mass)))

best <- npsurv(bounds, maxit = 1000, tol = 1e-12)
show("npsurv.left", best$f$left); show("npsurv.right", best$f$right); show("npsurv.masses", best$f$p)
show("npsurv.loglik", best$ll); show("npsurv.maxgrad", best$maxgrad)

hand <- rows("adjacent")
shut <- survfit(surv_of(hand) ~ 1)
show("adjacent.survfit.time", shut$time); show("adjacent.survfit.surv", shut$surv)
both <- npsurv(hand)
show("adjacent.npsurv.right", both$f$right); show("adjacent.npsurv.masses", both$f$p)
