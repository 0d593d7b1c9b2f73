# Distribution of a silent event from error-prone tests with known errors (case r13).
# Run in this folder: Rscript r13_misjudged_ramps.R   (needs the packages icensmis and jsonlite)
library(icensmis)
library(jsonlite)
case <- fromJSON("r13_misjudged_ramps.json")
for (name in names(case$data)) {
  x <- case$data[[name]]
  d <- data.frame(id = x$judgements[, 1], time = x$judgements[, 2], result = x$judgements[, 3])
  fits <- lapply(c(0.5, 0.1, 0.8), function(first) icmis(
    subject = id, testtime = time, result = result, data = d, sensitivity = x$sensitivity, specificity = x$specificity,
    initsurv = first, control = list(factr = 10, pgtol = 0, maxit = 5000)))
  best <- fits[[which.max(sapply(fits, function(f) f$loglik))]]
  cat(name, format(best$loglik, digits = 12), format(best$survival$surv, digits = 10), "\n")
}
