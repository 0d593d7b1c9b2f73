# Proportions, tests, limits and a segmented logistic regression for the audit of claims (case r12).
# Run in this folder: Rscript r12_false_capture.R
library(jsonlite)
case <- fromJSON("r12_false_capture.json")
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
for (k in seq_len(nrow(case$data$counts))) {
  x <- case$data$counts[k, 1]; n <- case$data$counts[k, 2]; name <- paste0("[", x, "/", n, "]")
  show(paste0("clopper_pearson", name), binom.test(x, n)$conf.int)
  show(paste0("wilson", name), prop.test(x, n, correct = FALSE)$conf.int)
}
show("fisher[3 groups]", fisher.test(case$data$three_groups)$p.value)
show("fisher[2 groups]", fisher.test(case$data$two_groups)$p.value)

# score limits of the ratio p1/p0: Pearson's statistic at the constrained maximum found by a search
score <- function(r, x1, n1, x0, n0) {
  loglik <- function(p) dbinom(x1, n1, r * p, log = TRUE) + dbinom(x0, n0, p, log = TRUE)
  p0 <- optimize(loglik, c(1e-12, min(1, 1 / r) - 1e-12), maximum = TRUE, tol = 1e-14)$maximum; p1 <- r * p0
  (x1 - n1 * p1)^2 / (n1 * p1 * (1 - p1)) + (x0 - n0 * p0)^2 / (n0 * p0 * (1 - p0)) - qchisq(0.95, 1)
}
t <- case$data$two_groups; n <- colSums(t); at <- (t[1, 1] / n[1]) / (t[1, 2] / n[2])
show("ratio_score[2 groups]", c(
  uniroot(score, c(at / 50, at), t[1, 1], n[1], t[1, 2], n[2], tol = 1e-12)$root,
  uniroot(score, c(at, at * 50), t[1, 1], n[1], t[1, 2], n[2], tol = 1e-12)$root))

w <- wilcox.test(case$data$false_ma, case$data$upheld_ma, conf.int = TRUE, exact = TRUE)
show("hodges_lehmann", unname(w$estimate)); show("mann_whitney", w$p.value)

sizes <- 10:60
show("longest_run_limit", round(log2(sizes) + 3)); show("crossings_limit", qbinom(0.05, sizes - 1, 0.5))
trials <- c(1, 5, 12, 40, 200)
for (p in c(0.05, 0.3, 0.8)) for (error in c(0.05, 0.0027)) {
  name <- paste0("[", p, ",", error, "]")
  show(paste0("binomial_low", name), qbinom(error / 2, trials, p))
  show(paste0("binomial_high", name), qbinom(error / 2, trials, p, lower.tail = FALSE))
  show(paste0("geometric", name), c(qgeom(error / 2, p), qgeom(error / 2, p, lower.tail = FALSE)))
}

for (name in c("smooth", "overdispersed")) {
  d <- as.data.frame(case$data[[name]]); names(d) <- c("month", "false", "judged")
  s <- d$month - case$data$change_month; after <- as.numeric(s >= 0)
  fit <- glm(cbind(false, judged - false) ~ s + after + s:after, family = binomial, data = d, epsilon = 1e-14)
  phi <- sum(residuals(fit, "pearson")^2) / fit$df.residual
  V <- vcov(fit) * max(1, phi); b <- coef(fit)
  q <- if (phi > 1) qt(0.975, fit$df.residual) else qnorm(0.975)
  ends <- function(k) exp(b[[k]] + c(0, -1, 1) * q * sqrt(V[k, k]))
  # square-and-add from the limits of both shares: predict() gives their logits
  new <- data.frame(s = max(s), after = c(1, 0))
  X <- model.matrix(~ s + after + s:after, new); S <- X %*% V %*% t(X); se <- sqrt(diag(S)); r <- S[1, 2] / prod(se)
  eta <- predict(fit, new); p <- plogis(eta); l <- plogis(eta - q * se); u <- plogis(eta + q * se)
  add <- function(x, y) sqrt(x^2 - 2 * r * x * y + y^2); d <- p[[1]] - p[[2]]
  show(paste0(name, ".dispersion"), phi)
  show(paste0(name, ".slope_before"), ends(2)); show(paste0(name, ".level_change"), ends(3))
  show(paste0(name, ".slope_change"), ends(4))
  show(paste0(name, ".difference_at_end"), c(d, d - add(p[[1]] - l[[1]], u[[2]] - p[[2]]), d + add(u[[1]] - p[[1]], p[[2]] - l[[2]])))
  z <- abs(b[[3]]) / sqrt(V[3, 3])
  show(paste0(name, ".level_change_p"), if (phi > 1) 2 * pt(-z, fit$df.residual) else 2 * pnorm(-z))
}
