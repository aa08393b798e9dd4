# Repeats in R what expected.json and datasets.csv say of R. Run by hand; no test needs it.
#
#   Rscript tests/reference/verify.R            compares; its exit status is 1 where anything differs
#   Rscript tests/reference/verify.R --print    writes what R gives, one JSON object a published value
#
# On Debian 12, which has the versions named in expected.json:
#
#   apt-get install r-base-core r-cran-survival r-cran-mass r-cran-boot r-cran-kmsurv r-cran-survmisc \
#       r-cran-epi r-cran-cmprsk r-cran-jsonlite
#
# A published value that says `"verified": "R"` holds a `call`: an expression whose value is a list, named as the
# case names its figures. It is compared to the digits printed. A case may hold a `call` of its own, which gives
# expected values; they are compared within the tolerance of the case. Besides the packages below, calls use the
# functions of this file.

suppressPackageStartupMessages({
  library(survival)
  library(MASS)
  library(survMisc)
  library(Epi)
  library(jsonlite)
})

here <- dirname(sub("^--file=", "", grep("^--file=", commandArgs(), value = TRUE)))
printing <- "--print" %in% commandArgs(trailingOnly = TRUE)

# A data file of this folder.
rows <- function(name) read.csv(file.path(here, "data", name), na.strings = c("", "NA"))

# A data set of KMsurv; attached it would hide those of the same name in other packages.
kmsurv <- function(name) {
  loaded <- new.env()
  data(list = name, package = "KMsurv", envir = loaded)
  loaded[[name]]
}

# The figures of a Weibull distribution that survreg has fitted without covariates.
weibull <- function(fit) {
  error <- sqrt(diag(fit$var))
  list(
    mu = fit$coefficients, se_mu = error[1],
    sigma = fit$scale, se_sigma = error[2] * fit$scale,
    log_sigma = log(fit$scale), se_log_sigma = error[2],
    eta = exp(fit$coefficients), beta = 1 / fit$scale, loglik = fit$loglik[2]
  )
}

# The Weibull law of lives that came under observation at `entry`, where survreg does not help: the likelihood of
# each life given that it reached its entry age. `naive_*` are those of survreg, as if every life began at 0.
late_weibull <- function(entry, exit, event) {
  slope <- function(shape) {
    power <- function(t) ifelse(t > 0, t^shape, 0)
    logs <- function(t) ifelse(t > 0, t^shape * log(t), 0)
    sum(event) / shape + sum(event * log(exit)) - sum(event) * sum(logs(exit) - logs(entry)) / sum(power(exit) - power(entry))
  }
  shape <- uniroot(slope, c(0.05, 50), tol = 1e-13)$root
  scale <- (sum(exit^shape - entry^shape) / sum(event))^(1 / shape)
  log_likelihood <- function(p) {
    shape <- exp(p[1])
    scale <- exp(p[2])
    sum(event * (log(shape / scale) + (shape - 1) * log(exit / scale)) - (exit / scale)^shape + (entry / scale)^shape)
  }
  covariance <- solve(-optimHess(log(c(shape, scale)), log_likelihood, control = list(ndeps = c(1e-4, 1e-4))))
  naive <- survreg(Surv(exit, event) ~ 1)
  list(
    n = length(exit), r = sum(event), beta = shape, eta = scale, loglik = log_likelihood(log(c(shape, scale))),
    se_log_beta = sqrt(covariance[1, 1]), se_log_eta = sqrt(covariance[2, 2]), cov_logeta_logbeta = covariance[1, 2],
    mu = log(scale), sigma = 1 / shape, naive_beta = 1 / naive$scale, naive_eta = exp(unname(coef(naive)))
  )
}

# Cumulative incidence of causes 1 and 2 with the standard errors of survfit and of Gray's program.
incidences <- function(time, cause, times) {
  ours <- summary(survfit(Surv(time, factor(cause, 0:2)) ~ 1), times = times)
  gray <- cmprsk::timepoints(cmprsk::cuminc(time, cause), times)
  list(
    time = times, surv = ours$pstate[, 1], cif_1 = ours$pstate[, 2], cif_2 = ours$pstate[, 3],
    se_ij_1 = ours$std.err[, 2], se_ij_2 = ours$std.err[, 3],
    se_cmprsk_1 = sqrt(gray$var[1, ]), se_cmprsk_2 = sqrt(gray$var[2, ])
  )
}

# Trend tests of the intervals between failures of one machine, watched to its last failure.
trends <- function(intervals) {
  ages <- cumsum(intervals)
  n <- length(ages)
  end <- ages[n]
  centroid <- function(ages, m) (mean(ages) - end / 2) / (end * sqrt(1 / (12 * m)))
  laplace <- centroid(ages[-n], n - 1)
  later <- outer(seq_len(n), seq_len(n), "<")
  list(
    n = n, mean = mean(intervals), laplace_failure_truncated = laplace, p_two = 2 * pnorm(-abs(laplace)),
    laplace_time_truncated_at_last = centroid(ages, n), milhdbk = 2 * sum(log(end / ages[-n])), df = 2 * (n - 1),
    lewis_robinson = laplace * mean(intervals) / sd(intervals),
    reversals = sum(outer(intervals, intervals, "<") & later)
  )
}

# Shares made to rise: neighbours that fall are pooled, weighted by their numbers.
pooled <- function(share, weight) {
  best <- function(i) max(sapply(seq_len(i), function(from) min(sapply(i:length(share), function(to) {
    weighted.mean(share[from:to], weight[from:to])
  }))))
  sapply(seq_along(share), best)
}

# Two groups compared by log-rank tests of several weights: U (failures of the first group less those expected),
# its hypergeometric variance V, U^2 / V and its tail.
weighted_log_ranks <- function(time, event, group) {
  ages <- sort(unique(time[event == 1]))
  at_risk <- sapply(ages, function(age) sum(time >= age))
  first <- sapply(ages, function(age) sum(time >= age & group == 1))
  failed <- sapply(ages, function(age) sum(time == age & event == 1))
  first_failed <- sapply(ages, function(age) sum(time == age & event == 1 & group == 1))
  survival <- c(1, head(cumprod(1 - failed / at_risk), -1))
  peto <- cumprod(1 - failed / (at_risk + 1))
  harrington <- function(p, q) survival^p * (1 - survival)^q
  weights <- list(
    logrank = 1, gehan = at_risk, tarone_ware = sqrt(at_risk), peto_peto = peto,
    modified_peto = peto * at_risk / (at_risk + 1), fh_1_0 = harrington(1, 0), fh_0_1 = harrington(0, 1),
    fh_1_1 = harrington(1, 1), fh_half_half = harrington(0.5, 0.5), fh_half_2 = harrington(0.5, 2)
  )
  lapply(weights, function(weight) {
    u <- sum(weight * (first_failed - first * failed / at_risk))
    v <- sum(weight^2 * first / at_risk * (1 - first / at_risk) * (at_risk - failed) / pmax(at_risk - 1, 1) * failed)
    list(U = u, V = v, chisq = u^2 / v, p = pchisq(u^2 / v, 1, lower.tail = FALSE))
  })
}

# Half a unit of the last digit printed.
half_unit <- function(printed) {
  parts <- regmatches(printed, regexec("^-?[0-9]+(\\.([0-9]*))?(e([-+]?[0-9]+))?$", printed))[[1]]
  if (length(parts) == 0) stop("not a number as printed: ", printed)
  exponent <- if (nzchar(parts[5])) as.integer(parts[5]) else 0
  0.5 * 10^(exponent - nchar(parts[3]))
}

agrees <- function(printed, got, name) {
  if (is.null(printed)) return(is.na(got))
  !is.na(got) && abs(as.numeric(printed) - got) <= half_unit(printed) * (1 + 1e-9)
}

# Whether a number from R is an expected one within the tolerance of its case.
within <- function(tolerance) {
  function(expected, got, name) {
    if (is.character(expected) || is.logical(expected)) return(TRUE)
    if (is.null(expected)) return(is.na(got))
    rel <- tolerance$overrides[[name]]
    if (is.null(rel)) rel <- tolerance$rel
    !is.na(got) && abs(expected - got) <= max(tolerance$abs, rel * abs(expected))
  }
}

compared <- 0

# Where `wanted` and what R gives differ by the rule `same(wanted, got, name)`. What R does not give is a difference
# if the comparison is to be complete.
differences <- function(wanted, got, same, complete, path = "") {
  if (!is.null(names(wanted))) {
    return(unlist(lapply(names(wanted), function(name) {
      if (!is.null(got[[name]])) return(differences(wanted[[name]], got[[name]], same, complete, paste0(path, name, "/")))
      if (complete) paste0(path, name, ": R gives none")
    })))
  }
  while (is.list(wanted) && length(wanted) == 1 && is.list(wanted[[1]])) wanted <- wanted[[1]]
  if (!is.list(wanted)) wanted <- list(wanted)
  got <- unname(unlist(got))
  compared <<- compared + length(got)
  if (length(wanted) != length(got)) return(paste0(path, ": R gives ", length(got), " values"))
  differ <- !mapply(same, wanted, got, basename(path))
  if (any(differ)) paste0(path, which(differ), ": ", wanted[differ], " is in R ", sprintf("%.13g", got[differ]))
}

# Seven digits, as R prints by default, with the zeros at the end.
shown <- function(got) {
  if (is.list(got)) return(lapply(got, shown))
  got <- unname(got)
  ifelse(is.na(got), NA, sprintf(ifelse(got == round(got) & abs(got) < 1e5, "%.0f", "%#.7g"), got))
}

failures <- 0
prints <- 0
calls <- 0
fail <- function(...) {
  failures <<- failures + 1
  cat(..., "\n")
}

for (case in fromJSON(file.path(here, "expected.json"), simplifyVector = FALSE)$cases) {
  for (published in case$published) {
    if (published$verified != "R") next
    got <- eval(parse(text = published$call))
    if (printing) {
      cat(toJSON(list(id = case$id, value = shown(got)), auto_unbox = TRUE, na = "null"), "\n")
      next
    }
    prints <- prints + 1
    for (line in differences(published$value, got, agrees, complete = TRUE)) fail(case$id, line)
  }
  if (!printing && !is.null(case$call)) {
    calls <- calls + 1
    before <- compared
    got <- eval(parse(text = case$call))
    for (line in differences(case$expected, got, within(case$tolerance), complete = FALSE)) fail(case$id, line)
    if (compared == before) fail(case$id, "the call gives none of the expected values")
  }
}

# The data files as the packages have them; the order of the rows is not compared.
same_rows <- function(name, columns) {
  ours <- rows(name)[names(columns)]
  as_text <- function(frame) sort(do.call(paste, lapply(frame, function(column) {
    if (is.factor(column) || is.character(column)) as.character(column) else format(round(as.numeric(column), 4), trim = TRUE)
  })))
  if (!identical(as_text(ours), as_text(as.data.frame(columns)))) fail(name, "is not as the package has it")
}

if (!printing) {
  drug <- kmsurv("drug6mp")
  transplants <- kmsurv("bmt")
  packaged <- list(
    aml.csv = with(survival::aml, list(group = x, time = time, event = status)),
    bladder2.csv = with(bladder2, list(
      id = id, start = start, stop = stop, event = event, rx = rx, size = size, number = number, enum = enum
    )),
    bmt_competing.csv = with(transplants, list(
      group = group, time = t2, cause = ifelse(d2 == 1, 1, ifelse(d3 == 1, 2, 0)), age = z1
    )),
    cgd.csv = with(survival::cgd, list(
      id = id, tstart = tstart, tstop = tstop, event = status, treat = as.integer(treat != "placebo"), age = age,
      steroids = steroids, enum = enum
    )),
    channing.csv = with(kmsurv("channing"), list(entry = ageentry, exit = age, event = death, gender = gender)),
    gehan_6mp.csv = list(
      group = rep(c("placebo", "6-MP"), each = 21), time = c(drug$t1, drug$t2),
      event = c(rep(1, 21), drug$relapse), pair = rep(drug$pair, 2)
    ),
    generator_fan_survivalpkg.csv = with(genfan, list(time = hours, event = status)),
    heart.csv = with(heart, list(
      start = start, stop = stop, event = event, age = age, year = year, surgery = surgery,
      transplant = as.integer(transplant == 1)
    )),
    kidney_km14.csv = with(kmsurv("kidney"), list(time = time, event = delta, type = type)),
    larynx.csv = with(kmsurv("larynx"), list(time = time, event = delta, stage = stage, age = age)),
    lung.csv = with(lung, list(
      time = time, event = status - 1, sex = sex, age = age, ph_ecog = ph.ecog, inst = inst, pat_karno = pat.karno
    )),
    metrics_lung.csv = with(subset(lung, !is.na(ph.ecog)), list(time = time, event = status - 1)),
    mgus2_competing.csv = with(mgus2, list(
      id = id, time = ifelse(pstat == 1, ptime, futime), event = ifelse(pstat == 1, 1, 2 * death), sex = sex, age = age
    )),
    nelson_insulating_fluid.csv = with(ifluid, list(time = time, voltage = voltage)),
    ovarian.csv = with(ovarian, list(
      time = futime, event = fustat, age = age, rx = rx, resid = resid.ds, ecog = ecog.ps
    )),
    turbine_parts_cracks_days.csv = with(cracks, list(
      lower = c(0, days), upper = c(days, NA), count = c(fail, 167 - sum(fail))
    )),
    turbine_wheel.csv = with(turbine, list(hours = hours, inspected = inspected, failed = failed)),
    valve_seat.csv = with(valveSeat, list(id = id, time = time, status = status)),
    veteran.csv = with(veteran, list(
      time = time, event = status, trt = trt, celltype = celltype, karno = karno, diagtime = diagtime, age = age,
      prior = prior
    )),
    zelen_capacitor.csv = with(capacitor, list(
      temperature = temperature, voltage = voltage, time = time, event = status
    ))
  )
  for (name in names(packaged)) same_rows(name, packaged[[name]])

  # Files that may stay in the source archive because a package without terms of its own has the same rows.
  same_rows("aml.csv", with(boot::aml, list(
    group = c("Maintained", "Nonmaintained")[group], time = time, event = cens
  )))
  same_rows("gehan_6mp.csv", with(gehan, list(
    group = ifelse(treat == "6-MP", "6-MP", "placebo"), time = time, event = cens, pair = pair
  )))
  same_rows("veteran.csv", with(VA, list(
    time = stime, event = status, trt = treat, celltype = levels(veteran$celltype)[cell], karno = Karn,
    diagtime = diag.time, age = age, prior = prior
  )))
  planes <- rows("proschan_aircon.csv")
  if (!identical(sort(planes$interval_hours[planes$plane == 8044]), sort(as.integer(boot::aircondit$hours))) ||
    !identical(sort(planes$interval_hours[planes$plane == 7914]), sort(as.integer(boot::aircondit7$hours)))) {
    fail("proschan_aircon.csv: planes 8044 and 7914 are not as boot has them")
  }

  cat(R.version.string, "\n")
  for (package in c("survival", "MASS", "boot", "KMsurv", "survMisc", "Epi", "cmprsk")) {
    cat(package, as.character(packageVersion(package)), "\n")
  }
  cat(
    prints, "prints of R and the expected values of", calls, "cases (", compared, "figures ) and", length(packaged),
    "data files compared:", failures, "differences\n"
  )
  if (failures > 0) quit(status = 1)
}
