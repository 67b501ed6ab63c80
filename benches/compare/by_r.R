# The models by R: lme4, MASS::polr, sandwich.
#
#   Rscript by_r.R study FITS.csv ANSWERS               the rows of by_pandas.py study
#   Rscript by_r.R reml ROWS.csv ANSWERS                the rows of model_data.py
#   Rscript by_r.R proportional_odds ROWS.csv ANSWERS
#
# The last two print how long the fit itself took, without reading.

suppressPackageStartupMessages({
  library(data.table)
  library(lme4)
  library(MASS)
  library(sandwich)
})

arguments <- commandArgs(trailingOnly = TRUE)
step <- arguments[1]
answers <- arguments[3]
rows <- fread(arguments[2])

reml <- function(formula, rows) {
  lmer(formula, rows, REML = TRUE, control = lmerControl(
    optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9), calc.derivs = FALSE,
    check.scaleX = "ignore"))
}

# Coefficients of some columns, with intervals from errors robust to clusters (CR1), t on clusters less one.
robust <- function(fit, cluster, columns) {
  clusters <- length(unique(cluster))
  errors <- sqrt(diag(vcovCL(fit, cluster = cluster, type = "HC0", cadjust = TRUE)))[columns]
  reach <- qt(0.975, clusters - 1) * errors
  value <- coef(fit)[columns]
  data.table(estimate = value, lo = value - reach, hi = value + reach, se = errors)
}

# Columns are brought to unit spread for the search, and their coefficients back.
odds <- function(score, columns, cluster, of_interest) {
  spread <- vapply(columns, sd, 0)
  scaled <- as.data.frame(scale(as.matrix(columns)))
  scaled$score <- factor(score, ordered = TRUE)
  fit <- polr(score ~ ., scaled, Hess = TRUE, control = list(reltol = 1e-15, maxit = 1000))
  found <- robust(fit, cluster, of_interest)
  found[, lapply(.SD, function(x) x / spread[of_interest])]
}

if (step == "study") {
  covariates <- c("age_years", "pta4", "coupling", "experience")
  for (label in c("coupling", "experience")) {
    rows[get(label) == "", (label) := NA]
    rows[, (label) := relevel(factor(get(label)), names(which.max(table(get(label)))))]
  }
  known <- rows[complete.cases(rows[, ..covariates])]
  variance <- rbindlist(lapply(c("rms", "signed", "high_frequency", "within_criterion", "satisfied"), function(measure) {
    formula <- as.formula(paste(measure, "~ scale(age_years) + scale(pta4) + coupling + experience + (1 | clinician_id)"))
    parts <- as.data.table(VarCorr(reml(formula, known)))$vcov
    data.table(measure = measure, component = c("clinician", "residual", "icc"),
               estimate = c(parts, parts[1] / sum(parts)))
  }))
  fwrite(variance, file.path(answers, "variance.csv"))
  study <- known[!is.na(rms) & !is.na(score)]
  given <- as.data.table(model.matrix(~ age_years + pta4 + coupling + experience, study))[, -1]
  enough <- uniqueN(study$clinician_id) >= 10
  cluster <- if (enough) study$clinician_id else study$patient_id
  study[, between := mean(rms), by = clinician_id]
  whole <- odds(study$score, cbind(given, rms = study$rms), cluster, "rms")
  split <- odds(study$score, cbind(given, within = study$rms - study$between, between = study$between), cluster,
                c("within", "between"))
  ordinal <- cbind(method = c("ordinal", "ordinal_within", "ordinal_between"), weighted = "false", n = nrow(study),
                   rbind(whole, split)[, .(estimate, lo, hi)])
  fwrite(if (enough) ordinal else ordinal[1:2], file.path(answers, "ordinal.csv"))
} else if (step == "reml") {
  took <- system.time(fit <- reml(y ~ x1 + x2 + x3 + x4 + x5 + x6 + (1 | group), rows))[["elapsed"]]
  parts <- as.data.table(VarCorr(fit))$vcov
  fwrite(data.table(term = c("constant", paste0("x", 1:6), "between", "within"), estimate = c(fixef(fit), parts)),
         file.path(answers, "reml.csv"))
  cat("seconds", took, "\n")
} else if (step == "proportional_odds") {
  columns <- paste0("x", 1:8)
  took <- system.time(found <- odds(rows$score, rows[, ..columns], rows$group, columns))[["elapsed"]]
  fwrite(data.table(term = columns, found[, .(estimate, se)]), file.path(answers, "proportional_odds.csv"))
  cat("seconds", took, "\n")
}
