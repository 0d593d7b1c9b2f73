# Competing events with entry, weights and clusters, restricted means and Gray's test: survival, etm and cmprsk (case r16).
# Run in this folder: Rscript r16_competing_risks.R
suppressMessages({library(jsonlite); library(survival); library(cmprsk); library(etm)})
case <- fromJSON("r16_competing_risks.json")
show <- function(key, value) cat(key, format(value, digits = 14, scientific = TRUE, trim = TRUE), sep = "\t", fill = FALSE, "\n")
d <- as.data.frame(case$data$rows); names(d) <- case$data$columns
d$row <- seq_len(nrow(d))
at <- c(5, 10, 20)
d$any <- any <- as.numeric(d$cause > 0)
state <- factor(d$cause, 0:3, c("none", "one", "two", "three"))

# Kaplan-Meier: entry, weights with rows as clusters, weights with clusters
km <- summary(survfit(Surv(entry, time, any) ~ 1, d, conf.type = "log-log"), times = at)
show("entry.event_free", km$surv); show("entry.event_free_greenwood", km$std.err)
show("entry.event_free_limits", c(km$lower, km$upper)); show("entry.at_risk", km$n.risk)
km <- summary(survfit(Surv(time, any) ~ 1, d, weights = weight, robust = TRUE), times = at)
show("weight.event_free", km$surv); show("weight.event_free_se", km$std.err)
km <- summary(survfit(Surv(entry, time, any) ~ 1, d, weights = weight, cluster = cluster), times = at)
show("all.event_free", km$surv); show("all.event_free_se", km$std.err)

# Aalen-Johansen
flat <- function(fit, part) as.vector(fit[[part]][, 2:4])
aj <- summary(survfit(Surv(time, state) ~ 1, d), times = at)
show("plain.incidence", flat(aj, "pstate")); show("plain.se", flat(aj, "std.err"))
aj <- summary(survfit(Surv(time, state) ~ 1, d, weights = weight), times = at)
show("weight.incidence", flat(aj, "pstate")); show("weight.se", flat(aj, "std.err"))
whole <- survfit(Surv(entry, time, state) ~ 1, d, id = row, weights = weight, influence = TRUE)
aj <- summary(whole, times = at)
show("all.incidence", flat(aj, "pstate")); show("all.row_se", flat(aj, "std.err"))
# this version ignores clusters when there are several states: its influences of the rows, added up by cluster.  The first
# time of the influences is the start.
added <- function(fit, weight, cluster, by_time) {
  sapply(2:4, function(s) sqrt(colSums(rowsum(weight * fit$influence.pstate[, -1, s] %*% by_time, cluster)^2)))
}
pick_times <- outer(whole$time, at, function(time, t) 1 * (time == sapply(t, function(u) max(whole$time[whole$time <= u]))))
show("all.se", as.vector(added(whole, d$weight, d$cluster, pick_times)))
# delta method with entry: etm's Greenwood variance
e <- etmCIF(Surv(entry, time, cause != 0) ~ 1, d, etype = cause, failcode = 1)
s <- summary(e, ci.fun = "cloglog")[[1]]
pick <- function(column) unlist(lapply(s[paste("CIF", 1:3)], function(x) sapply(at, function(t) x[max(which(x$time <= t)), column])))
show("entry.incidence", pick("P")); show("entry.se", sqrt(pick("var"))); show("entry.limits", c(pick("lower"), pick("upper")))

# restricted mean and time lost up to 20
mean_of <- function(fit, tau) summary(fit, rmean = tau)$table
show("plain.restricted_mean", mean_of(survfit(Surv(time, any) ~ 1, d), 20)[c("rmean", "se(rmean)")])
lost <- summary(survfit(Surv(time, state) ~ 1, d), rmean = 20)$table
show("plain.time_lost", lost[2:4, "rmean"])
lost <- summary(whole, rmean = 20)$table
show("all.time_lost", lost[2:4, "rmean"])
width <- function(fit, tau) cbind(pmax(pmin(c(fit$time[-1], Inf), tau) - fit$time, 0))
plain <- survfit(Surv(time, state) ~ 1, d, influence = TRUE)
show("plain.time_lost_se", as.vector(added(plain, 1, d$row, width(plain, 20))))
show("all.time_lost_se", as.vector(added(whole, d$weight, d$cluster, width(whole, 20))))
fit <- survfit(Surv(entry, time, any) ~ 1, d, weights = weight, cluster = cluster, influence = 1)
show("all.restricted_mean", c(mean_of(fit, 20)["rmean"], sqrt(sum((fit$influence.surv %*% width(fit, 20))^2))))
g <- MASS::gehan
table <- summary(survfit(Surv(time, cens) ~ treat, g, conf.type = "log-log"), rmean = 23)$table
show("gehan.restricted_mean(6mp,control)", table[, "rmean"]); show("gehan.restricted_mean_se", table[, "se(rmean)"])
show("gehan.median_limits(6mp lo,control lo,6mp hi,control hi)", c(table[, "0.95LCL"], table[, "0.95UCL"]))

# Gray's test
gray <- function(key, time, cause, group) {
  tests <- cuminc(time, cause, group)$Tests
  show(key, as.vector(tests[, c("stat", "pv", "df")]))
}
m <- read.csv("s19_mgus2.csv")
gray("gray.mgus2_sex", m$etime, m$event, m$male)
gray("gray.mgus2_age", m$etime, m$event, cut(m$age, c(0, 65, 75, 200)))
gray("gray.tied", ceiling(d$time), d$cause, d$group)
gray("gray.rows", d$time, d$cause, d$group)
gray("gray.uneven", d$time, d$cause, as.numeric(d$row > 100))
gray("gray.one_cause", ceiling(d$time), any, d$group)
