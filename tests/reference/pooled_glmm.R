# Pooled logit-normal models by other software: numbers for tests that need no R.
# Run from the root: Rscript tests/reference/pooled_glmm.R  (needs lme4, glmmTMB, jsonlite; writes pooled_glmm.json)
# Crowder's plates and the lentisc cells are read from ../shared, where they lie beside the project; only numbers are kept.
suppressPackageStartupMessages({library(lme4); library(glmmTMB); library(jsonlite)})
options(warn = 2)  # a fit that warns is no reference

numbers <- function(coefs, sds, logLik, what) {
  list(what = what, log_likelihood = logLik,
       fixed = as.list(setNames(coefs[, 1], rownames(coefs))),
       se = as.list(setNames(coefs[, 2], rownames(coefs))), sd = as.list(sds))
}
by_lme4 <- function(fit, what)
  numbers(coef(summary(fit)), sapply(VarCorr(fit), function(v) unname(attr(v, "stddev"))), as.numeric(logLik(fit)), what)
by_tmb <- function(fit, what)
  numbers(coef(summary(fit))$cond, sapply(VarCorr(fit)$cond, function(v) unname(attr(v, "stddev"))),
          as.numeric(logLik(fit)), what)
exact <- glmmTMBControl(optCtrl = list(rel.tol = 1e-10))  # nlminb; tighter ends in "singular convergence" on its rounding
precise <- glmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.02, rhoend = 1e-9, maxfun = 1e5),
                        check.conv.grad = .makeCC("warning", tol = 5e-3, relTol = NULL))

trays <- read.csv("tests/reference/pooled_glmm.csv")
trays$species <- factor(trays$species, levels = c("alba", "maritima", "vulgaris"))
trays$treatment <- factor(trays$treatment, levels = c("none", "grit"))
model <- cbind(emerged, n - emerged) ~ species + treatment + (1 | lot) + (1 | lot:tray)
pooled <- list(
  glmmTMB_ML = by_tmb(glmmTMB(model, trays, binomial, control = exact), "glmmTMB, Laplace, maximum likelihood"),
  glmmTMB_REML = by_tmb(glmmTMB(model, trays, binomial, REML = TRUE, control = exact),
                        "glmmTMB, REML = TRUE: fixed effects inside the Laplace"),
  glmmTMB_species = by_tmb(glmmTMB(update(model, . ~ . - species + (1 | species)), trays, binomial, REML = TRUE,
                                   control = exact), "glmmTMB, REML = TRUE: species random"),
  glmer_ML = by_lme4(glmer(model, trays, binomial, control = precise), "glmer, Laplace, maximum likelihood"))

plates <- read.csv("../shared/reference/crowder_plates.csv")
plates$x1 <- as.numeric(plates$seed == "O73")
plates$x2 <- as.numeric(plates$root != "BEAN")
by_plate <- cbind(y, n - y) ~ x1 * x2 + (1 | plate)
quadrature <- function(points)
  by_lme4(glmer(by_plate, plates, binomial, nAGQ = points, control = precise), paste("glmer, nAGQ =", points))
crowder <- list(
  glmmTMB_ML = by_tmb(glmmTMB(by_plate, plates, binomial, control = exact), "glmmTMB, Laplace, maximum likelihood"),
  glmmTMB_REML = by_tmb(glmmTMB(by_plate, plates, binomial, REML = TRUE, control = exact), "glmmTMB, REML = TRUE"),
  glmer_1 = quadrature(1), glmer_15 = quadrature(15), glmer_25 = quadrature(25))

cells <- read.csv("../shared/data/lentisc_field_cells.csv")
cells$season <- factor(cells$season)
cells$microhabitat <- factor(cells$microhabitat)
stations <- list(
  levels = list(season = levels(cells$season), microhabitat = levels(cells$microhabitat)),
  cells = nrow(cells), emerged = sum(cells$emerged), stations = length(unique(cells$station)),
  station_seasons = length(unique(paste(cells$season, cells$station))),
  glmer_1 = by_lme4(glmer(emerged ~ microhabitat * season + (1 | station), cells, binomial, control = precise),
                    "glmer, Laplace, a station the same in both seasons (SD 1.46 in the design)"),
  glmer_by_season = by_lme4(glmer(emerged ~ microhabitat * season + (1 | season:station), cells, binomial, control = precise),
                            "glmer, Laplace, a station afresh each season"))

versions <- list(R = paste(R.version$major, R.version$minor, sep = "."), lme4 = as.character(packageVersion("lme4")),
                 glmmTMB = as.character(packageVersion("glmmTMB")))
note <- paste("glmmTMB includes the binomial coefficients in its log-likelihood, as glmer does with nAGQ = 1;",
              "glmer with nAGQ > 1 uses another constant: compare its estimates, not its log-likelihood")
write_json(list(versions = versions, note = note, pooled = pooled, crowder = crowder, lentisc = stations),
           "tests/reference/pooled_glmm.json", digits = 10, auto_unbox = TRUE, pretty = TRUE)
