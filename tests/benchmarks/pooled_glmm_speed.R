# Times the same reduced model by glmmTMB (restricted) and glmer; called by test_pooled_speed.py.
# Rscript pooled_glmm_speed.R folder runs with_glmer(0/1)   (needs lme4, glmmTMB, jsonlite)
suppressPackageStartupMessages({library(lme4); library(glmmTMB); library(jsonlite)})
arguments <- commandArgs(trailingOnly = TRUE)
trays <- read.csv(file.path(arguments[1], "trays.csv"))
cells <- as.matrix(read.csv(file.path(arguments[1], "cells.csv"), header = FALSE))
trays$own <- interaction(trays$species, trays$treatment)
for (name in c("lot", "tray")) trays[[name]] <- factor(trays[[name]])
by_cell <- trays[rep(seq_len(nrow(trays)), each = ncol(cells)), c("tray", "lot", "own", "season")]
by_cell$emerged <- as.vector(t(cells))
by_cell$n <- 2
model <- cbind(emerged, n - emerged) ~ 0 + own + season + (1 | lot) + (1 | tray)
timed <- function(fit, runs) {
  seconds <- numeric(runs)
  for (run in seq_len(runs)) seconds[run] <- system.time(found <- fit())["elapsed"]
  list(seconds = seconds, log_likelihood = as.numeric(logLik(found)))
}
runs <- as.integer(arguments[2])
result <- list(glmmTMB_cells = timed(function() glmmTMB(model, by_cell, binomial, REML = TRUE), runs),
               glmmTMB_sums = timed(function() glmmTMB(model, trays, binomial, REML = TRUE), runs))
if (arguments[3] == "1")
  result$glmer_sums <- timed(function() suppressWarnings(glmer(model, trays, binomial)), 1)
write_json(result, file.path(arguments[1], "out.json"), digits = 10, auto_unbox = TRUE)
