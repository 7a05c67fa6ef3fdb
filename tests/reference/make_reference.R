# Results of R and its packages on small data sets, written as case files.
# Run once, by hand, from the top folder:  Rscript tests/reference/make_reference.R
# Needs psych, lme4, pROC and MASS. The versions used are written into each file.
suppressPackageStartupMessages({library(psych); library(lme4); library(pROC); library(MASS)})
out <- "toolkit/truechange/evidence/cases"
version_of <- function(p) if (p == "stats") R.version$version.string else paste(p, packageVersion(p))
text <- function(x) paste0('"', x, '"')
numbers <- function(x) paste0("[", paste(format(x, digits = 15, trim = TRUE), collapse = ", "), "]")
rows <- function(m) paste0("[\n", paste0("  ", apply(m, 1, numbers), ",\n", collapse = ""), "]")

write_case <- function(id, topic, checks, package, data, expected, relative = 1e-9, note = "", absolute = 0) {
  shown <- sprintf("%.15g", unlist(expected))
  tolerance <- sprintf("%.3g", pmax(abs(unlist(expected)) * relative, absolute, 1e-300))
  lines <- c(
    paste("id =", text(id)), paste("topic =", text(topic)), paste("checks =", text(checks)),
    paste("citation =", text(paste0("Computed with ", paste(unique(c(R.version$version.string, sapply(package, version_of))), collapse = ", "),
      "; script tests/reference/make_reference.R."))),
    'doi = ""', 'came = "output of another program"', 'status = "recomputed with another program"', 'strength = "B"',
    if (nzchar(note)) paste("note =", text(note)), "", "[data]", data, "", "[expected]",
    sprintf('%s = { value = %s, printed = "%s", tolerance = %s }', text(names(unlist(expected))),
      ifelse(grepl("[.e]", shown), shown, paste0(shown, ".0")), shown, tolerance))
  writeLines(lines, file.path(out, paste0(id, ".toml")))
}

# --- intraclass correlation: exact mean squares, all six forms, with limits -------------------------------------
icc_case <- function(id, m, what) {
  r <- suppressMessages(ICC(m, lmer = FALSE))$results
  forms <- c("ICC(1)", "ICC(A,1)", "ICC(C,1)", "ICC(k)", "ICC(A,k)", "ICC(C,k)")
  e <- list()
  for (i in seq_along(forms)) {
    e[[forms[i]]] <- r$ICC[i]; e[[paste(forms[i], "low")]] <- r$`lower bound`[i]; e[[paste(forms[i], "high")]] <- r$`upper bound`[i]
    e[[paste(forms[i], "F")]] <- r$F[i]
  }
  a <- anova(lm(score ~ person + trial, data.frame(score = c(m), person = factor(row(m)), trial = factor(col(m)))))
  e$ms_persons <- a$`Mean Sq`[1]; e$ms_trials <- a$`Mean Sq`[2]; e$ms_error <- a$`Mean Sq`[3]
  write_case(id, "ICC", paste("all six forms with limits and mean squares,", what), "psych", paste("ratings =", rows(m)), e, 1e-9, absolute = 1e-12)
}
shrout <- matrix(c(9,2,5,8, 6,1,3,2, 8,4,6,8, 7,1,2,6, 10,5,6,9, 6,2,4,7), 6, byrow = TRUE)
weir <- cbind(c(146,148,170,90,157,156,176,205), c(140,152,152,99,145,153,167,218))
gonio <- as.matrix(read.csv(file.path(out, "icc_gonio_eliasziw_1994.csv"))[, c("a1", "b1")]); dimnames(gonio) <- NULL
icc_case("r_icc_shrout_fleiss", shrout, "Shrout and Fleiss 1979")
icc_case("r_icc_weir", weir, "Weir 2005, data set A")
icc_case("r_icc_gonio", gonio, "knee angles, first reading of each goniometer (Eliasziw 1994)")

# --- variance components by REML, complete and with gaps -----------------------------------------------------------
lmer_case <- function(id, m, checks) {
  d <- data.frame(score = c(m), person = factor(row(m)), trial = factor(col(m)))
  fit <- lmer(score ~ 1 + (1 | person) + (1 | trial), d[!is.na(d$score), ],
    control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e5)))
  v <- as.data.frame(VarCorr(fit)); v <- setNames(v$vcov, v$grp)
  long <- which(!is.na(m), arr.ind = TRUE); long <- long[order(long[, 1], long[, 2]), ]
  write_case(id, "ICC", checks, "lme4",
    c(paste("person =", numbers(long[, 1])), paste("trial =", numbers(long[, 2])), paste("score =", numbers(m[long]))),
    list(var_person = v[["person"]], var_trial = v[["trial"]], var_error = v[["Residual"]],
      `ICC(A,1)` = v[["person"]] / sum(v), `ICC(C,1)` = v[["person"]] / (v[["person"]] + v[["Residual"]])), 1e-4,
    note = "Iterated to convergence by two different optimisers: 4 significant digits are asked for.")
}
lmer_case("r_reml_complete", shrout, "restricted maximum likelihood equals the analysis of variance on complete data")
set.seed(11)
person <- rnorm(14, 0, 3); trial <- c(-0.6, 0.2, 0.4)
gaps <- round(outer(12 + person, trial, "+") + matrix(rnorm(42), 14), 1)
gaps[cbind(c(2, 5, 9, 13), c(3, 1, 3, 2))] <- NA
lmer_case("r_reml_gaps", gaps, "restricted maximum likelihood with missing cells (14 made-up people, 4 gaps)")

# --- weighted kappa ------------------------------------------------------------------------------------------------
ratings <- matrix(c(20,5,1,0, 4,18,6,1, 1,7,15,4, 0,2,3,13), 4, byrow = TRUE)
one <- rep(rep(1:4, 4), c(ratings)); two <- rep(rep(1:4, each = 4), c(ratings))
quadratic <- cohen.kappa(ratings); linear <- cohen.kappa(ratings, w = abs(outer(1:4, 1:4, "-")) / 3)
write_case("r_kappa", "Weighted kappa", "unweighted, linear and quadratic weighted kappa", "psych",
  paste("counts =", rows(ratings)),
  list(kappa = quadratic$kappa, quadratic = quadratic$weighted.kappa, linear = 1 - sum(abs(outer(1:4, 1:4, "-")) * ratings) * sum(ratings) /
    sum(abs(outer(1:4, 1:4, "-")) * outer(rowSums(ratings), colSums(ratings)))), 1e-9,
  note = "The linear weights are written out in base R.")

# --- ROC -----------------------------------------------------------------------------------------------------------
a <- read.csv(file.path(out, "auc_proc_asah.csv"))
r <- roc(a$outcome, a$s100b, levels = c("Good", "Poor"), direction = "<", quiet = TRUE); ci <- ci.auc(r)
you <- coords(r, "best", best.method = "youden", transpose = FALSE); top <- coords(r, "best", best.method = "closest.topleft", transpose = FALSE)
write_case("r_roc_asah", "MCID: ROC", "area, DeLong limits, Youden and corner cut-points", "pROC", 'same_as = "auc_proc_asah"',
  list(auc = as.numeric(r$auc), low = ci[1], high = ci[3], youden = you$threshold[1], youden_sensitivity = you$sensitivity[1],
    youden_specificity = you$specificity[1], corner = top$threshold[1], corner_sensitivity = top$sensitivity[1], corner_specificity = top$specificity[1]), 1e-9)

# --- models behind the MCID ----------------------------------------------------------------------------------------
m <- read.csv(file.path(out, "mcid_30_people.csv")); m$better <- as.integer(m$anchor >= 1)
tight <- glm.control(epsilon = 1e-14, maxit = 100)
lg <- coef(glm(better ~ improvement, binomial, m, control = tight)); pb <- coef(glm(better ~ improvement, binomial("probit"), m, control = tight))
two <- coef(glm(better ~ before + after, binomial("probit"), m, control = tight))
m$grade <- factor(pmax(-1, pmin(2, m$anchor)))
op <- polr(grade ~ improvement, m, method = "probit", control = list(reltol = 1e-16, maxit = 1000))
p <- mean(m$better); r_pb <- cor(m$improvement, m$better); s <- sd(m$improvement); odds <- log(p / (1 - p))
pred <- unname((odds - lg[1]) / lg[2]); rel <- 1 - 2 * 0.9^2 / s^2
little <- m$improvement[m$anchor == 1]; same <- m$improvement[m$anchor == 0]
w <- t.test(little, same)
write_case("r_mcid_models", "MCID: predictive modelling", "logit, probit and ordered probit fits and the MCIDs that follow (30 invented people, SEM 0.9)", c("stats", "MASS"),
  'same_as = "mcid_30_people"',
  list(logit_constant = unname(lg[1]), logit_slope = unname(lg[2]), probit_constant = unname(pb[1]), probit_slope = unname(pb[2]),
    predictive = pred, adjusted_2017 = pred - (0.090 + 0.103 * r_pb) * s * odds,
    fifty_percent_logit = unname(-lg[1] / lg[2]), latent_threshold = mean(m$improvement) + rel * (unname(-pb[1] / pb[2]) - mean(m$improvement)),
    mean_change = mean(little), mean_change_low = t.test(little)$conf.int[1], mean_change_high = t.test(little)$conf.int[2],
    mean_difference = mean(little) - mean(same), mean_difference_low = w$conf.int[1], mean_difference_high = w$conf.int[2],
    detectability_limit = mean(same) + qnorm(0.95) * sd(same)), 1e-8)
write_case("r_mcid_ordered", "MCID: predictive modelling", "ordered probit on four grades of the anchor (30 invented people)", "MASS", 'same_as = "mcid_30_people"',
  list(slope = unname(op$coefficients), threshold_1 = unname(op$zeta[1]), threshold_2 = unname(op$zeta[2]), threshold_3 = unname(op$zeta[3])), 1e-5,
  note = "polr stops early: 5 significant digits are asked for.")

# --- proportions ---------------------------------------------------------------------------------------------------
pairs <- list(c(0, 12), c(12, 12), c(18, 30), c(5, 8), c(1, 29), c(81, 263))
e <- list()
for (x in pairs) for (level in c(0.9, 0.95)) { ci <- prop.test(x[1], x[2], conf.level = level, correct = FALSE)$conf.int
  e[[sprintf("%d/%d %g low", x[1], x[2], level)]] <- ci[1]; e[[sprintf("%d/%d %g high", x[1], x[2], level)]] <- ci[2] }
e <- suppressWarnings(e)
write_case("r_wilson", "Proportions", "Wilson limits at two levels", "stats", paste0("cases = ", rows(do.call(rbind, pairs))), e, 1e-9, absolute = 1e-12)
fisher <- fisher.test(matrix(c(18, 12, 9, 19), 2, byrow = TRUE))
write_case("r_fisher", "Proportions", "exact p for two shares; tail of a binomial count", "stats",
  c("first = [18, 30]", "second = [9, 28]", "tail_at = 6", "tail_n = 30", "tail_p = 0.1"),
  list(fisher_p = fisher$p.value, tail = pbinom(5, 30, 0.1, lower.tail = FALSE)), 1e-9)

# --- change of a group ----------------------------------------------------------------------------------------------
s1 <- subset(sleep, group == 1)$extra; s2 <- subset(sleep, group == 2)$extra
t1 <- t.test(s2, s1, paired = TRUE)
write_case("r_paired_t", "Group change", "mean change with limits", "stats", 'same_as = "ttest_sleep"',
  list(mean = mean(s2 - s1), low = t1$conf.int[1], high = t1$conf.int[2], p = t1$p.value, sd = sd(s2 - s1)), 1e-9)
x <- subset(anorexia, Treat != "FT"); x$arm <- as.integer(x$Treat == "CBT"); fit <- lm(Postwt ~ Prewt + arm, x)
h <- hatvalues(fit); X <- model.matrix(fit); bread <- solve(crossprod(X)); meat <- crossprod(X * (resid(fit) / (1 - h)))
se <- sqrt(diag(bread %*% meat %*% bread))
write_case("r_ancova", "Group change", "adjusted difference of two arms with HC3 standard error", "stats",
  c('same_as = "ancova_anorexia"', 'arms = ["Cont", "CBT"]'),
  list(difference = unname(coef(fit)["arm"]), slope = unname(coef(fit)["Prewt"]), se_hc3 = unname(se["arm"])), 1e-9)

# --- planning -------------------------------------------------------------------------------------------------------
n_of <- function(d, power) power.t.test(delta = d, sd = 1, power = power, type = "paired", strict = TRUE, tol = 1e-12)$n
write_case("r_power", "Sample size", "paired change and two shares", "stats",
  c("change_effects = [0.3, 0.5, 0.8]", "power = 0.9", "p1 = 0.5", "p2 = 0.75"),
  list(change_0.3 = n_of(0.3, 0.9), change_0.5 = n_of(0.5, 0.9), change_0.8 = n_of(0.8, 0.9),
    shares = power.prop.test(p1 = 0.5, p2 = 0.75, power = 0.9, tol = 1e-12)$n), 1e-6)

# --- distributions behind the limits --------------------------------------------------------------------------------
e <- list()
for (n in c(10, 17, 30, 50, 100)) for (q in c(0.025, 0.975)) e[[sprintf("n%d q%g", n, q)]] <- qt(q, n - 1, ncp = qnorm(0.975) * sqrt(n)) / sqrt(n)
write_case("r_limit_factors", "Bland-Altman", "noncentral-t factors of one limit of agreement", "stats", "n = [10, 17, 30, 50, 100]", e, 1e-6)
tail <- function(mu, sd, cut, rho) { lower <- integrate(function(v) v * dnorm(v, mu, sd), -Inf, cut, rel.tol = 1e-12)$value / pnorm(cut, mu, sd); (1 - rho) * (mu - lower) }
write_case("r_regression_to_the_mean", "Group change", "spurious gain after selection, by numerical integration", "stats",
  c("mean = 10.0", "sd = 3.0", "cut = 8.0", "rho = [0.5, 0.8, 0.95]"),
  list(rho_0.5 = tail(10, 3, 8, 0.5), rho_0.8 = tail(10, 3, 8, 0.8), rho_0.95 = tail(10, 3, 8, 0.95)), 1e-8)
