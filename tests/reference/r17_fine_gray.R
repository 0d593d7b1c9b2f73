# Fine-Gray, Cox with entry, weights and clusters, incidences from all causes, tests of proportionality: cmprsk, mets, survival (case r17).
# Run in this folder: Rscript r17_fine_gray.R
suppressMessages({library(jsonlite); library(survival); library(cmprsk); library(mets)})
case <- fromJSON("r17_fine_gray.json")
show <- function(key, value) cat(key, format(as.vector(value), digits = 13, scientific = TRUE, trim = TRUE), sep = "\t", fill = FALSE, "\n")
d <- as.data.frame(case$data$rows); names(d) <- case$data$columns
X <- as.matrix(d[, c("x1", "x2", "x3")])
tight <- coxph.control(eps = 1e-11, toler.chol = 1e-13, iter.max = 50)

# Fine-Gray without and with ties, both causes
for (time in c("continuous", "tied")) for (cause in 1:2) {
  fit <- crr(d[[time]], d$cause, X, failcode = cause, gtol = 1e-12, maxiter = 50)
  key <- paste0("crr.", time, cause)
  show(paste0(key, ".coefficients"), fit$coef); show(paste0(key, ".se"), sqrt(diag(fit$var)))
  show(paste0(key, ".loglik(fit,null)"), c(fit$loglik, fit$loglik.null))
  show(paste0(key, ".incidence"), sapply(c(2, 10, 25), function(t) {
    p <- predict(fit, rbind(c(0, 50, 0.5), c(1, 70, -1))); p[max(which(p[, 1] <= t)), -1]
  }))
}
# by cluster; finegray expands the rows
d$time <- d$continuous
fit <- cifreg(Event(time, cause) ~ x1 + x2 + x3 + cluster(cluster), d, propodds = NULL, cause = 1)
show("cifreg.coefficients", fit$coef); show("cifreg.cluster_se", fit$se.coef)
g <- finegray(Surv(time, factor(cause, 0:2, c("none", "one", "two"))) ~ x1 + x2 + x3, data = d, etype = "one")
show("finegray.coefficients", coef(coxph(Surv(fgstart, fgstop, fgstatus) ~ x1 + x2 + x3, g, weights = fgwt, ties = "breslow", control = tight)))

# Cox with everything
d$one <- 1
for (ties in c("efron", "breslow")) for (w in c("one", "weight")) {
  d$w <- d[[w]]
  fit <- coxph(Surv(entry, tied, cause == 1) ~ x1 + x2 + x3, d, weights = w, cluster = cluster, ties = ties, control = tight)
  key <- paste0("cox.", ties, ".", w)
  show(paste0(key, ".coefficients"), coef(fit)); show(paste0(key, ".se"), sqrt(diag(fit$naive.var)))
  show(paste0(key, ".cluster_se"), sqrt(diag(fit$var))); show(paste0(key, ".loglik(null,fit)"), fit$loglik)
  base <- basehaz(fit, centered = FALSE)
  show(paste0(key, ".baseline(2,10,25)"), sapply(c(2, 10, 25), function(t) base$hazard[max(which(base$time <= t))]))
}

# incidences from regressions of both causes, for two people each
state <- factor(d$cause, 0:2, c("none", "one", "two"))
d$id <- seq_len(nrow(d))
both <- function(key, formula, data, ties, people, times) {
  fit <- do.call(coxph, list(formula, data, id = quote(id), ties = ties, control = tight))
  p <- summary(survfit(fit, newdata = people), times = times)$pstate
  show(key, c(p[, 1, 2], p[, 2, 2], p[, 1, 3], p[, 2, 3]))
}
people <- data.frame(x1 = c(0, 1), x2 = c(50, 70), x3 = c(0.5, -1))
# with several states this version takes Breslow's ties whatever is asked for
both("both.tied.breslow", Surv(tied, state) ~ x1 + x2 + x3, d, "breslow", people, c(2, 10, 25))
m <- na.omit(read.csv("s19_mgus2.csv")); m$state <- factor(m$event, 0:2, c("none", "pcm", "death"))
both("both.mgus2", Surv(etime, state) ~ age + male + mspike, m, "breslow",
     data.frame(age = c(60, 80), male = c(0, 1), mspike = c(1, 2)), c(60, 120, 240))

# proportionality
zph <- function(key, fit) for (transform in c("km", "identity", "log", "rank")) {
  z <- cox.zph(fit, transform = transform)
  show(paste0(key, ".", transform, ".statistic"), z$table[, "chisq"])
  if (transform == "km") {
    at <- range(z$time); show(paste0(key, ".residuals(first,last)"), sapply(at, function(t) colSums(z$y[z$time == t, , drop = FALSE])))
    show(paste0(key, ".transformed(last)"), z$x[length(z$x)])
  }
}
lung <- as.data.frame(case$data$lung); names(lung) <- case$data$lung_columns
zph("zph.lung", coxph(Surv(time, died) ~ age + female + karnofsky, lung, control = tight))
zph("zph.lung_breslow", coxph(Surv(time, died) ~ age + female + karnofsky, lung, ties = "breslow", control = tight))
heart <- read.csv("s20_heart.csv")
zph("zph.heart", coxph(Surv(start, stop, event) ~ age + year + surgery + transplant, heart, control = tight))
zph("zph.mgus2", coxph(Surv(etime, event == 2) ~ age + male + mspike, m, control = tight))
zph("zph.all", coxph(Surv(entry, tied, cause == 1) ~ x1 + x2 + x3, d, weights = weight, control = tight))
grouped <- cox.zph(coxph(Surv(time, died) ~ cbind(age, female) + karnofsky, lung, control = tight))
show("zph.lung_grouped.km.statistic", grouped$table[, "chisq"])
show("zph.lung_grouped.degrees", grouped$table[, "df"])
