# Two latent classes with items not answered, two groups, and a pair with covariances: row-wise likelihood by optim
# (case r11).  Run in this folder: Rscript r11_latent_classes_missing.R
library(jsonlite)
case <- fromJSON("r11_latent_classes_missing.json", simplifyVector = FALSE)
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
rows <- t(sapply(case$data$rows, function(r) { v <- strsplit(r, "")[[1]]; v[v == "."] <- NA; as.numeric(v) }))
group <- rows[, 1] + 1; y <- rows[, -1]
item <- function(y, p) ifelse(is.na(y), 1, ifelse(y == 1, p, 1 - p))
pair <- function(a, b, p, q, covariance) {           # Vacek's form: covariance added to the joint probability
  both <- item(a, p) * item(b, q)
  ifelse(is.na(a) | is.na(b), both, both + ifelse(a == b, covariance, -covariance))
}
given <- function(p, covariance) pair(y[, 1], y[, 2], p[1], p[2], covariance) * item(y[, 3], p[3]) * item(y[, 4], p[4])
value <- function(theta, free) {
  p <- plogis(theta[1:10]); covariance <- if (free) theta[11:12] else c(0, 0)
  share <- p[1:2][group]
  total <- share * given(p[3:6], covariance[2]) + (1 - share) * given(p[7:10], covariance[1])
  if (any(total <= 0)) 1e6 else -sum(log(total))
}
start <- qlogis(c(0.4, 0.6, rep(0.8, 4), rep(0.2, 4)))
run <- function(from, free) {
  for (i in 1:4) {
    from <- optim(from, value, free = free, method = "Nelder-Mead", control = list(reltol = 1e-15, maxit = 20000))$par
    from <- optim(from, value, free = free, method = "BFGS", control = list(reltol = 1e-16, maxit = 5000))$par
  }
  from
}
alone <- run(start, FALSE)
show("independent.log_likelihood", -value(alone, FALSE)); show("independent.share", plogis(alone[1:2]))
show("independent.sensitivity", plogis(alone[3:6])); show("independent.false_positive", plogis(alone[7:10]))
both <- run(c(alone, 0.001, 0.001), TRUE)
show("dependent.log_likelihood", -value(both, TRUE)); show("dependent.share", plogis(both[1:2]))
show("dependent.sensitivity", plogis(both[3:6])); show("dependent.false_positive", plogis(both[7:10]))
show("dependent.covariance", both[11:12])
