# State occupation and mean numbers of events (case r19).
# Run in this folder: Rscript r19_multistate.R   (needs the packages survival, etm, mets, survey and jsonlite)
suppressMessages({library(survival); library(etm); library(mets); library(survey); library(jsonlite)})
case <- fromJSON("r19_multistate.json")
show <- function(key, value) cat(key, format(unname(as.numeric(value)), digits = 12, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

# three states: monoclonal gammopathy, progression, death; death 0.1 months after a progression in the same month
m <- as.data.frame(case$data$mgus2); names(m) <- c("id", "ptime", "pstat", "futime", "death", "entry")
m$ptime <- ifelse(m$pstat == 1 & m$ptime >= m$futime, m$futime - 0.1, m$ptime)
make <- function(late) {
  rows <- do.call(rbind, lapply(seq_len(nrow(m)), function(i) {
    p <- m[i, ]; begin <- if (late) p$entry else 0
    if (p$pstat == 1) data.frame(id = p$id, t0 = c(begin, p$ptime), t1 = c(p$ptime, p$futime), from = c(0, 1), to = c(1, if (p$death) 2 else -1))
    else data.frame(id = p$id, t0 = begin, t1 = p$futime, from = 0, to = if (p$death) 2 else -1)
  }))
  rows[order(rows$id, rows$t0), ]
}
at <- case$data$at
for (late in c(FALSE, TRUE)) {
  d <- make(late); if (late) {bad <- d$id[d$t0 >= d$t1]; d <- d[!(d$id %in% bad), ]}
  d$event <- factor(d$to, c(-1, 1, 2), c("censor", "progression", "death"))
  d$istate <- factor(d$from, 0:1, c("gammopathy", "progression"))
  fit <- survfit(Surv(t0, t1, event) ~ 1, data = d, id = id, istate = istate)
  s <- summary(fit, times = at); name <- if (late) "late" else "mgus2"
  show(paste0(name, ".survfit.pstate"), t(s$pstate[, match(c("gammopathy", "progression", "death"), fit$states)]))
  show(paste0(name, ".survfit.std.err"), t(s$std.err[, match(c("gammopathy", "progression", "death"), fit$states)]))
  e <- data.frame(id = d$id, from = as.character(d$from), to = ifelse(d$to < 0, "cens", as.character(d$to)), entry = d$t0, exit = d$t1)
  tra <- matrix(FALSE, 3, 3, dimnames = list(0:2, 0:2)); tra[1, 2:3] <- TRUE; tra[2, 3] <- TRUE
  f <- etm(e, c("0", "1", "2"), tra, "cens", s = 0, covariance = FALSE)
  show(paste0(name, ".etm.from_first"), sapply(0:2, function(k) trprob(f, paste("0", k), at)))
}

# back and forth: invented courses, reversible
b <- as.data.frame(case$data$reversible); names(b) <- c("id", "t0", "t1", "from", "to")
b$event <- factor(b$to, c(-1, 0:3), c("censor", "a", "b", "c", "d")); b$istate <- factor(b$from, 0:3, c("a", "b", "c", "d"))
fit <- survfit(Surv(t0, t1, event) ~ 1, data = b, id = id, istate = istate); s <- summary(fit, times = case$data$reversible_at)
order <- match(c("a", "b", "c", "d"), fit$states)
show("reversible.survfit.pstate", t(s$pstate[, order])); show("reversible.survfit.std.err", t(s$std.err[, order]))

# infections in chronic granulomatous disease: no terminal event
d <- as.data.frame(case$data$cgd); names(d) <- c("id", "t0", "t1", "event")
fit <- survfit(Surv(t0, t1, event) ~ 1, data = d, id = id, cluster = id, robust = TRUE)
s <- summary(fit, times = case$data$cgd_at)
pick <- sapply(case$data$cgd_at, function(t) max(which(fit$time <= t)))
show("cgd.survfit.cumhaz", fit$cumhaz[pick]); show("cgd.survfit.std.chaz", fit$std.chaz[pick])

# recurrences of bladder tumours with death as terminal event (Ghosh & Lin)
d <- as.data.frame(case$data$bladder); names(d) <- c("id", "t0", "t1", "status")
events <- phreg(Surv(t0, t1, status == 1) ~ cluster(id), data = d); deaths <- phreg(Surv(t0, t1, status == 2) ~ cluster(id), data = d)
out <- recurrentMarginal(events, deaths)
pick <- sapply(case$data$bladder_at, function(t) max(which(out$times <= t)))
show("bladder.mets.mu", out$mu[pick]); show("bladder.mets.se", out$se.mu[pick])

# a ratio of sums over persons
r <- as.data.frame(case$data$ratio); names(r) <- c("part", "whole")
ratio <- svyratio(~part, ~whole, svydesign(~1, weights = ~1, data = r))
show("ratio.survey", c(coef(ratio), SE(ratio)))

# rate ratio of recurrent events, errors by person (Andersen & Gill; gaps between events)
d <- as.data.frame(case$data$cgd_arm); names(d) <- c("id", "t0", "t1", "event", "treated")
for (kind in c("total", "gap")) {
  fit <- if (kind == "total") coxph(Surv(t0, t1, event) ~ treated, d, cluster = id) else coxph(Surv(t1 - t0, event) ~ treated, d, cluster = id)
  show(paste0("cgd.", kind, "(log ratio,robust se)"), c(coef(fit), sqrt(diag(vcov(fit)))))
}
