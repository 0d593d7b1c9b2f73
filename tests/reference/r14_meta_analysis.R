# Random-effects meta-analysis of estimates and of two-by-two tables (case r14).
# Run in this folder: Rscript r14_meta_analysis.R   (needs the packages metafor, metadat and jsonlite)
suppressMessages({library(metafor); library(metadat); library(jsonlite)})
case <- fromJSON("r14_meta_analysis.json")$data
show <- function(key, value) cat(key, format(unname(as.numeric(value)), digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
tight <- list(threshold = 1e-13, tol = 1e-13, maxiter = 10000, tau2.max = 1e6)
limits <- list(tol = 1e-13, tau2.max = 1e6)
tests <- c(z = "z", hk = "knha", `hk-at-least-1` = "adhoc")

for (name in names(case$studies)) {
  d <- as.data.frame(case$studies[[name]])
  common <- rma(yi, vi, data = d, method = "EE")
  show(paste0(name, ".common(mu,se,lower,upper,p,Q,Qp)"),
       c(common$beta, common$se, common$ci.lb, common$ci.ub, common$pval, common$QE, common$QEp))
  for (method in c("DL", "PM", "REML")) for (test in names(tests)) {
    fit <- rma(yi, vi, data = d, method = method, test = tests[[test]], control = tight)
    key <- paste0(name, ".", method, ".")
    if (test == "z") {
      show(paste0(key, "(tau2,I2,H2)"), c(fit$tau2, fit$I2, fit$H2))
      ends <- confint(fit, control = limits)$random
      show(paste0(key, "Q-profile(tau2,tau,I2,H2)"), t(ends[, 2:3]))
    }
    key <- paste0(key, test, ".")
    show(paste0(key, "(mu,se,lower,upper,p)"), c(fit$beta, fit$se, fit$ci.lb, fit$ci.ub, fit$pval))
    if (fit$k > 2 && (method == "REML" || (method == "DL" && test == "z"))) {
      out <- leave1out(fit)
      for (column in c("estimate", "se", "ci.lb", "ci.ub", "pval", "tau2", "I2", "Q", "Qp"))
        show(paste0(key, "leave1out.", column), out[[column]])
      inf <- influence(fit)
      for (column in c("rstudent", "dffits", "cook.d", "cov.r", "tau2.del", "QE.del", "hat"))
        show(paste0(key, "influence.", column), inf$inf[[column]])
      show(paste0(key, "influence.dfbs"), inf$dfbs[[1]])
    }
  }
}

# regression
regression <- function(key, fit) {
  show(paste0(key, "coefficients"), fit$beta); show(paste0(key, "se"), fit$se); show(paste0(key, "p"), fit$pval)
  show(paste0(key, "lower"), fit$ci.lb); show(paste0(key, "upper"), fit$ci.ub)
  show(paste0(key, "(tau2,I2,H2,R2,QM or F,p,QE,p)"),
       c(fit$tau2, fit$I2, fit$H2, fit$R2, fit$QM, fit$QMp, fit$QE, fit$QEp))
}
bcg <- as.data.frame(case$studies$bcg); bcg$ablat <- case$bcg_latitude; bcg$alloc <- case$bcg_allocation
stopifnot(bcg$ablat == dat.bcg$ablat, bcg$alloc == dat.bcg$alloc)
two <- as.data.frame(case$two_covariates)
for (method in c("DL", "PM", "REML")) for (test in names(tests)) {
  regression(paste0("latitude.", method, ".", test, "."),
             rma(yi, vi, mods = ~ ablat, data = bcg, method = method, test = tests[[test]], control = tight))
  regression(paste0("two_covariates.", method, ".", test, "."),
             rma(yi, vi, mods = ~ x1 + x2, data = two, method = method, test = tests[[test]], control = tight))
}

# groups: alternate, random, systematic
for (test in names(tests)) {
  key <- paste0("allocation.", test, ".")
  own <- lapply(split(bcg, bcg$alloc), function(d)
    rma(yi, vi, data = d, method = "REML", test = tests[[test]], control = tight))
  plain <- lapply(split(bcg, bcg$alloc), function(d) rma(yi, vi, data = d, method = "REML", control = tight))
  for (g in names(own))
    show(paste0(key, g, "(mu,se,lower,upper,tau2)"), with(own[[g]], c(beta, se, ci.lb, ci.ub, tau2)))
  between <- rma(sapply(plain, function(f) f$beta), sei = sapply(plain, function(f) f$se), method = "EE")
  show(paste0(key, "between(Q,p)"), c(between$QE, between$QEp))
  same <- rma(yi, vi, mods = ~ alloc - 1, data = bcg, method = "REML", test = tests[[test]], control = tight)
  show(paste0(key, "shared.mu"), same$beta); show(paste0(key, "shared.se"), same$se)
  show(paste0(key, "shared.lower"), same$ci.lb); show(paste0(key, "shared.upper"), same$ci.ub)
  test_of <- rma(yi, vi, mods = ~ alloc, data = bcg, method = "REML", test = tests[[test]], control = tight)
  show(paste0(key, "shared.(tau2,QM or F,p)"), c(test_of$tau2, test_of$QM, test_of$QMp))
}

# asymmetry
asymmetry <- function(key, r, b) show(paste0(key, "(slope,statistic,p,limit,lower,upper)"), c(b, r$zval, r$pval, r$est, r$ci.lb, r$ci.ub))
for (name in c("bcg", "uneven", "three")) {
  d <- as.data.frame(case$studies[[name]])
  r <- regtest(d$yi, d$vi, model = "lm", ret.fit = TRUE)
  asymmetry(paste0(name, ".egger"), r, coef(r$fit)[2])
  for (method in c("DL", "REML")) for (test in names(tests)) {
    fit <- rma(yi, vi, data = d, method = method, test = tests[[test]], control = tight)
    r <- regtest(fit, ret.fit = TRUE)
    asymmetry(paste0(name, ".mixed.", method, ".", test), r, r$fit$beta[2])
  }
}
# tables; Peters' test has weights from the margins, and leaves tables out in which everybody had the same outcome
for (name in names(case$tables)) {
  x <- case$tables[[name]]; a <- x[, 1]; n1 <- x[, 2]; c <- x[, 3]; n2 <- x[, 4]
  for (measure in c("RR", "OR", "RD")) {
    # drop00 drops nobody in both; everybody in both is put in by metafor, and left out here for ratios
    e <- escalc(measure, ai = a, n1i = n1, ci = c, n2i = n2, add = 1/2, to = "only0", drop00 = measure != "RD")
    use <- if (measure == "RD") rep(TRUE, length(a)) else a + c > 0 & a + c < n1 + n2
    show(paste0(name, ".", measure, ".yi"), e$yi[use]); show(paste0(name, ".", measure, ".vi"), e$vi[use])
    fit <- rma.mh(measure = measure, ai = a, n1i = n1, ci = c, n2i = n2, add = c(1/2, 0), to = c("only0", "none"),
                  drop00 = c(TRUE, FALSE), correct = FALSE)
    show(paste0(name, ".mh.", measure, "(value,se,lower,upper,p)"), c(fit$beta, fit$se, fit$ci.lb, fit$ci.ub, fit$pval))
  }
  fit <- rma.peto(ai = a, n1i = n1, ci = c, n2i = n2, add = c(1/2, 0), to = c("only0", "none"), drop00 = c(TRUE, FALSE))
  show(paste0(name, ".peto(value,se,lower,upper,p)"), c(fit$beta, fit$se, fit$ci.lb, fit$ci.ub, fit$pval))
  use <- a + c > 0 & a + c < n1 + n2
  e <- escalc("OR", ai = a[use], n1i = n1[use], ci = c[use], n2i = n2[use], add = 1/2, to = "only0")
  events <- (a + c)[use]; all <- (n1 + n2)[use]
  r <- regtest(as.numeric(e$yi), 1/events + 1/(all - events), ni = all, model = "lm", predictor = "ninv", ret.fit = TRUE)
  asymmetry(paste0(name, ".peters"), r, coef(r$fit)[2])
}
