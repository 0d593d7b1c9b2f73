# Maller and Zhou's statistic for sufficient follow-up, by its definition (case r07).
# Run in this folder: Rscript r07_follow_up_sufficiency.R
library(jsonlite)
case <- fromJSON("r07_follow_up_sufficiency.json", simplifyVector = FALSE)
show <- function(key, value) cat(key, format(value, digits = 15, scientific = TRUE), sep = "\t", fill = FALSE, "\n")
for (name in names(case$data$samples)) {
  pairs <- t(sapply(case$data$samples[[name]], unlist))
  time <- pairs[, 1]; event <- pairs[, 2] == 1; n <- length(time)
  largest <- max(time); largest_event <- max(time[event])
  inside <- sum(event & time > 2 * largest_event - largest & time <= largest_event)
  show(paste0(name, ".n_in_window"), inside); show(paste0(name, ".alpha_n"), (1 - inside / n)^n)
  show(paste0(name, ".q_n"), inside / n)
  closed <- sum(time >= max(0, 2 * largest_event - largest) & time <= largest_event)   # rule in the source of npcure::testmz
  open <- sum(event & time > max(0, 2 * largest_event - largest) & time < largest_event) # rule in the manual of hdcuremodels
  show(paste0(name, ".npcure_rule_alpha"), (1 - closed / n)^n); show(paste0(name, ".hdcuremodels_rule_alpha"), (1 - open / n)^n)
}
