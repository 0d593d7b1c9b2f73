# Firth's logistic regression (brglm2), its profile limits by optim, and two groups by R's own tests (case r18).
# Run in this folder: Rscript r18_firth.R
suppressMessages({library(jsonlite); library(brglm2)})
case <- fromJSON("r18_firth.json")
show <- function(key, value) cat(key, format(value, digits = 12, scientific = TRUE), sep = "\t", fill = FALSE, "\n")

firth <- function(name, d, w) {
  X <- cbind(1, as.matrix(d[, -1])); y <- d[, 1]
  fit <- glm(y ~ X - 1, family = binomial(), weights = w, method = "brglmFit", type = "AS_mean",
             control = list(epsilon = 1e-13, maxit = 5000))
  show(paste0(name, ".coefficients"), unname(coef(fit)))
  # the covariance at exactly this point, from the textbook formula
  pi <- plogis(drop(X %*% coef(fit)))
  show(paste0(name, ".standard_errors"), unname(sqrt(diag(solve(t(X) %*% (X * w * pi * (1 - pi)))))))
  penalised <- function(b) {
    eta <- drop(X %*% b); p <- plogis(eta)
    sum(w * (y * eta - log1p(exp(eta)))) + as.numeric(determinant(t(X) %*% (X * w * p * (1 - p)))$modulus) / 2
  }
  top <- penalised(coef(fit)); show(paste0(name, ".penalised_log_likelihood"), top)
  profile <- function(j, at) {
    rest <- coef(fit)[-j]; scale <- sqrt(diag(vcov(fit)))[-j]
    f <- function(b) {full <- numeric(ncol(X)); full[j] <- at; full[-j] <- b * scale; -penalised(full)}
    start <- rest / scale
    for (i in 1:4) start <- optim(start, f, method = "BFGS", control = list(reltol = 1e-15, maxit = 1000))$par
    -f(start)
  }
  limits <- sapply(seq_len(ncol(X)), function(j) {
    gap <- function(at) 2 * (top - profile(j, at)) - qchisq(0.95, 1)
    s <- sqrt(diag(vcov(fit)))[j]; b <- coef(fit)[j]
    c(uniroot(gap, c(b - 8 * s, b), tol = 1e-9)$root, uniroot(gap, c(b, b + 8 * s), tol = 1e-9)$root)
  })
  show(paste0(name, ".lower"), limits[1, ]); show(paste0(name, ".upper"), limits[2, ])
  show(paste0(name, ".p_value"), sapply(seq_len(ncol(X)), function(j)
    pchisq(2 * (top - profile(j, 0)), 1, lower.tail = FALSE)))
}
endometrial <- as.data.frame(case$data$endometrial)
firth("endometrial", endometrial, rep(1, nrow(endometrial)))
weighted <- as.data.frame(case$data$weighted)
firth("weighted", weighted[, 1:3], weighted[, 4])

# Miettinen-Nurminen: the constrained likelihood by optimize, the limits by uniroot
score <- function(r, x, n) {
  f <- function(q) dbinom(x[1], n[1], r * q, log = TRUE) + dbinom(x[2], n[2], q, log = TRUE)
  q <- optimize(f, c(0, min(1, 1 / r)), maximum = TRUE, tol = 1e-14)$maximum; p <- r * q
  (x[1] / n[1] - r * x[2] / n[2])^2 / ((p * (1 - p) / n[1] + r^2 * q * (1 - q) / n[2]) * sum(n) / (sum(n) - 1))
}
for (name in names(case$data$tables)) {
  t <- case$data$tables[[name]]; x <- t[c(1, 3)]; n <- t[c(2, 4)]
  exact <- fisher.test(matrix(c(x[1], n[1] - x[1], x[2], n[2] - x[2]), 2, byrow = TRUE))
  # fisher.test finds its limits to four digits only, so they are sought again in the law that it uses
  k <- max(0, sum(x) - n[2]):min(n[1], sum(x)); base <- dhyper(k, n[1], n[2], sum(x), log = TRUE)
  law <- function(l) {d <- base + k * l; d <- exp(d - max(d)); d / sum(d)}
  root <- function(f) exp(uniroot(f, c(-12, 12), tol = 1e-13)$root)
  found <- c(root(function(l) sum(k * law(l)) - x[1]), root(function(l) sum(law(l)[k >= x[1]]) - 0.025),
             root(function(l) sum(law(l)[k <= x[1]]) - 0.025))
  stopifnot(abs(found / c(exact$estimate, exact$conf.int) - 1) < 1e-3)
  show(paste0(name, ".odds_ratio"), found)
  show(paste0(name, ".p_fisher"), exact$p.value)
  w <- sapply(1:2, function(i) prop.test(x[i], n[i], correct = FALSE)$conf.int); p <- x / n
  show(paste0(name, ".difference"), c(p[1] - p[2],
    p[1] - p[2] - sqrt((p[1] - w[1, 1])^2 + (w[2, 2] - p[2])^2), p[1] - p[2] + sqrt((w[2, 1] - p[1])^2 + (p[2] - w[1, 2])^2)))
  gap <- function(l) score(exp(l), x, n) - qchisq(0.95, 1); l <- log(p[1] / p[2])
  show(paste0(name, ".ratio"), c(exp(l), exp(uniroot(gap, c(l - 6, l), tol = 1e-12)$root), exp(uniroot(gap, c(l, l + 6), tol = 1e-12)$root)))
}
