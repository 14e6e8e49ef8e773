# Recomputes in R, from the tables that trigone writes for statisticians, what trigone says
# of the same department: agreement of plans and results, what becomes of patients, and the
# limits of funnels.
#
#   Rscript check.R TABLES ANSWERS ASOF
#
# TABLES is a folder written by 'trigone table', ANSWERS holds agreement.csv, freedom.csv and
# outcomes.json of 'trigone agreement', 'freedom' and 'outcomes', all as of ASOF (YYYY-MM-DD, noon UTC).
# Nothing is read here that trigone has summed: who is followed until when is read once
# more from the rows, in another language.
suppressPackageStartupMessages(library(survival))

arguments <- commandArgs(trailingOnly = TRUE)
tables <- arguments[1]
answers <- arguments[2]
as.of <- as.Date(arguments[3])
zone <- "Europe/London" # of the generated department

rows <- function(folder, name) {
  read.csv(file.path(folder, paste0(name, ".csv")), colClasses = "character", na.strings = "", encoding = "UTF-8")
}
number <- function(x) as.numeric(x)
blank <- function(x) ifelse(is.na(x), "", x)

compared <- 0
faults <- character()
same <- function(what, said, here, within = 1e-9) {
  compared <<- compared + 1
  alike <- if (is.na(said) || is.na(here)) is.na(said) && is.na(here) else abs(said - here) <= within * max(1, abs(here))
  if (!alike) faults <<- c(faults, sprintf("%s: trigone says %.12g, R %.12g", what, said, here))
}

cases <- rows(tables, "cases")
later <- blank(cases$later_operation) == "yes"

# ---- agreement -----------------------------------------------------------------------------

comparisons <- rows(tables, "comparisons")
counting <- cases$case[!later & blank(cases$times_plan_timing) == "prospective"]
comparisons <- comparisons[comparisons$case %in% counting, ]
comparisons$place <- blank(comparisons$place)
comparisons$place[startsWith(comparisons$place, "step:")] <- ""
predicted <- startsWith(comparisons$kind, "prediction_")
usable <- !is.na(comparisons$actual_value) & comparisons$verdict != "not_evaluable" &
  !(is.na(comparisons$planned_value) & is.na(comparisons$lower) & is.na(comparisons$upper)) &
  !(predicted & !blank(comparisons$stage) %in% c("", "off_bypass"))
comparisons <- comparisons[usable, ]

# One pair a patient: of predictions the first run, else the last one, and its first row.
one.each <- function(d, first) {
  run <- ifelse(is.na(d$run), 0, number(d$run))
  best <- ave(run, d$case, FUN = if (first) min else max)
  d <- d[run == best, ]
  d <- d[order(number(d$row)), ]
  d[!duplicated(d$case), ]
}

# The exact factor of a pair of limits: Carkeet, Optom Vis Sci 2015;92:e71-e80.
carkeet <- function(n, g) {
  half <- Vectorize(function(x) uniroot(function(r) pnorm(x + r) - pnorm(x - r) - 0.95, c(0, 40 + x), tol = 1e-13)$root)
  share <- function(k) {
    sqrt(2 * n / pi) * integrate(function(x) pchisq((n - 1) * half(x)^2 / k^2, n - 1, lower.tail = FALSE) * exp(-n * x^2 / 2), 0, 12 / sqrt(n), rel.tol = 1e-11)$value
  }
  uniroot(function(k) share(k) - g, c(0.5, 80), tol = 1e-12)$root
}

said <- rows(answers, "agreement")
said <- said[is.na(said$stratum), ]
z <- qnorm(0.975)
agreements <- 0
for (i in seq_len(nrow(said))) {
  a <- said[i, ]
  if (a$kind == "ring_label" || number(a$pairs) < 10) next
  agreements <- agreements + 1
  what <- paste(a$kind, a$metric, blank(a$place), blank(a$method))
  d <- comparisons[comparisons$kind == a$kind & comparisons$metric == a$metric & comparisons$place == blank(a$place) &
    blank(comparisons$method) == blank(a$method) & (a$kind != "aim" | blank(comparisons$stage) == blank(a$stage)) &
    blank(comparisons$formula_number) == blank(a$formula_number), ]
  prediction <- startsWith(a$kind, "prediction_")
  d <- one.each(d, prediction)
  same(paste(what, "patients"), number(a$patients), nrow(d))
  if (prediction || a$kind == "aim") {
    low <- ifelse(is.na(d$lower), -Inf, number(d$lower))
    high <- ifelse(is.na(d$upper), Inf, number(d$upper))
    inside <- sum(number(d$actual_value) >= low & number(d$actual_value) <= high)
    interval <- if (prediction) binom.test(inside, nrow(d))$conf.int else suppressWarnings(prop.test(inside, nrow(d), correct = FALSE)$conf.int)
    same(paste(what, "inside"), number(a$inside_range), inside)
    same(paste(what, "inside, lower"), number(a$inside_range_lower), interval[1], 1e-8)
    same(paste(what, "inside, upper"), number(a$inside_range_upper), interval[2], 1e-8)
  }
  if (a$kind == "aim") {
    # An aim is a range: it is counted, and nothing is subtracted from it.
    same(paste(what, "pairs"), number(a$pairs), nrow(d))
    if (!is.na(number(a$bias))) faults <- c(faults, paste(what, "has a mean difference, which would be that of the misses"))
    next
  }
  d <- d[!is.na(d$planned_value), ]
  # Values count in whole steps of what can be read.
  step <- if (blank(a$unit) == "1") 0.5 else 0.1
  planned <- round(number(d$planned_value) / step) * step
  actual <- round(number(d$actual_value) / step) * step
  n <- nrow(d)
  difference <- actual - planned
  bias <- mean(difference)
  s <- if (diff(range(difference)) < 1e-9) 0 else sd(difference)
  same(paste(what, "pairs"), number(a$pairs), n)
  same(paste(what, "bias"), number(a$bias), bias)
  same(paste(what, "bias, lower"), number(a$bias_lower), bias - qt(0.975, n - 1) * s / sqrt(n))
  same(paste(what, "bias, upper"), number(a$bias_upper), bias + qt(0.975, n - 1) * s / sqrt(n))
  same(paste(what, "SD"), number(a$sd), s)
  same(paste(what, "lower limit"), number(a$lower_limit), bias - z * s)
  same(paste(what, "upper limit"), number(a$upper_limit), bias + z * s)
  same(paste(what, "mean absolute"), number(a$mean_absolute), mean(abs(difference)))
  same(paste(what, "root mean square"), number(a$root_mean_square), sqrt(mean(difference^2)))
  if (s == 0) next
  outer <- carkeet(n, 0.975)
  inner <- carkeet(n, 0.025)
  same(paste(what, "lower limit, lower"), number(a$lower_limit_lower), bias - outer * s, 1e-6)
  same(paste(what, "lower limit, upper"), number(a$lower_limit_upper), bias - inner * s, 1e-6)
  same(paste(what, "upper limit, upper"), number(a$upper_limit_upper), bias + outer * s, 1e-6)
  on <- if (prediction) (planned + actual) / 2 else planned
  if (diff(range(on)) > 1e-9) {
    line <- lm(difference ~ on)
    same(paste(what, "slope"), number(a$slope), unname(coef(line)[2]))
    same(paste(what, "slope, lower"), number(a$slope_lower), confint(line)[2, 1], 1e-8)
  }
  if (diff(range(planned)) > 1e-9) {
    centred <- (n - 1) / n
    concordance <- 2 * cov(planned, actual) * centred / (var(planned) * centred + var(actual) * centred + (mean(planned) - mean(actual))^2)
    same(paste(what, "concordance"), number(a$concordance), concordance)
  }
}

# ---- what becomes of patients --------------------------------------------------------------

echoes <- rows(tables, "echoes")
statuses <- rows(tables, "statuses")
events <- rows(tables, "events")
operated <- as.Date(as.POSIXct(cases$times_incision_time, tz = "UTC"), tz = zone)
names(operated) <- cases$case
known.until <- as.integer(as.of - operated)
names(known.until) <- cases$case

last <- function(x) if (length(x) == 0) NA else max(x)
first <- function(x) if (length(x) == 0) NA else min(x)

follow <- function(i) {
  id <- cases$case[i]
  until <- known.until[[id]]
  entry <- min(c(number(cases$times_plan_receipt_days[i]), number(cases$times_operation_receipt_days[i])), na.rm = TRUE)
  entry <- if (is.finite(entry) && entry > 30) floor(entry) else 0

  mine <- statuses[statuses$case == id, ]
  told <- ifelse(is.na(mine$day), number(mine$died_on_day), number(mine$day))
  mine <- mine[!is.na(told) & told <= until, ]
  told <- told[!is.na(told) & told <= until]
  died <- first(number(mine$died_on_day)[!is.na(mine$died_on_day)])
  alive <- last(told[mine$vital_status %in% "alive"])
  complete <- last(told[mine$reinterventions_recorded %in% "complete"])

  reported <- statuses$day[match(paste(id, events$section), paste(statuses$case, statuses$section))]
  e <- events[events$case == id & (!is.na(events$reintervention) | events$kind %in% "reintervention" |
    events$kind %in% "return_to_theatre" & events$return_reason %in% "mitral_valve") & number(events$day) <= until &
    (is.na(reported) | number(reported) <= until), ]
  again <- first(number(e$day))
  leaking <- any(number(e$day) == again & !is.na(e$mechanism))
  for (next.case in which(cases$previous_case %in% id & operated <= as.of)) {
    offset <- as.integer(operated[next.case] - operated[i])
    if (is.na(again) || offset < again) {
      again <- offset
      leaking <- cases$valve_grade_value[next.case] %in% c("moderate", "severe")
    }
  }

  g <- echoes[echoes$case == id & !is.na(echoes$grade_value) & blank(echoes$provocation) %in% c("", "none"), ]
  bad <- g$grade_value %in% c("moderate", "severe") # the department grades in five steps
  day <- number(g$day)
  exit <- which(g$stage %in% c("off_bypass", "leaving_theatre"))
  after <- !is.na(g$follow_up_kind) & !is.na(day) & day >= 0 & day <= min(until, again, na.rm = TRUE)
  discharge <- number(cases$outcome_discharged_on_day[i])
  early <- which(after & (g$follow_up_kind %in% "discharge" | !is.na(discharge) & day <= discharge))
  late <- setdiff(which(after), early)
  residual <- FALSE
  looked <- NA
  if (length(exit) > 0) {
    residual <- bad[exit[length(exit)]]
    looked <- 0
  }
  without <- 0
  if (length(early) > 0) {
    newest <- early[order(day[early])][length(early)]
    residual <- bad[newest]
    looked <- day[newest]
    without <- looked
  }
  found <- first(day[late][bad[late]])
  looked <- last(c(looked, day[late])[!is.na(c(looked, day[late]))])
  clean <- day[late][!bad[late] & (is.na(found) | day[late] < found)]
  without <- max(without, clean)
  if (is.na(found) && leaking) {
    found <- again
    without <- again - 1
  }
  data.frame(id, entry, until, died, alive, complete, again, found, looked, without, residual, leaking)
}

population <- which(!later & !cases$repair_converted %in% "yes" & !cases$setting_intended_procedure %in% "replacement" & operated <= as.of)
course <- do.call(rbind, lapply(population, follow))

zero <- function(x) ifelse(is.na(x), 0, x)
curve <- function(event) {
  d <- course
  if (event == "death") {
    at <- d$died; other <- NA * d$died; look <- zero(d$alive)
  } else if (event == "reintervention") {
    at <- d$again; other <- d$died; look <- zero(d$complete)
  } else if (event == "recurrence") {
    at <- d$found; look <- zero(d$looked)
    other <- ifelse(is.na(d$found), pmin(d$died, d$again, na.rm = TRUE), d$died)
  } else {
    at <- pmin(d$died, d$again, d$found, na.rm = TRUE); other <- NA * d$died
    look <- pmin(zero(d$alive), zero(d$complete), zero(d$looked))
  }
  happened <- !is.na(at) & (is.na(other) | at <= other)
  ended <- !happened & !is.na(other)
  p <- data.frame(entry = d$entry, day = ifelse(happened, at, ifelse(ended, other, look)), cause = ifelse(happened, 1, ifelse(ended, 2, 0)), look, without = d$without, until = d$until)
  keep <- !is.na(d$alive) | !is.na(d$died)
  if (event %in% c("recurrence", "composite")) keep <- keep & !d$residual & !(is.na(d$looked) & is.na(d$found) & is.na(d$died))
  p <- p[keep, ]
  p[p$entry == 0 | p$day > p$entry, ]
}

# Who enters on a day is at risk from the next one on, who enters on day 0 from day 0.
begin <- function(p) ifelse(p$entry == 0, -1, p$entry)
risk <- function(p, day) 0 + sum((p$entry == 0 | p$entry < day) & day <= p$day)

product.limit <- function(p, day) {
  fit <- survfit(Surv(begin(p), p$day, p$cause > 0) ~ 1, conf.type = "log-log")
  s <- summary(fit, times = day, extend = TRUE)
  c(1 - s$surv, 1 - s$upper, 1 - s$lower)
}

# The cumulative incidence by R's own estimator of many states; its interval by the delta
# method, from the formula: R's has another variance, which must be near.
incidence <- function(p, day) {
  fit <- survfit(Surv(begin(p), p$day, factor(p$cause, 0:2, c("none", "event", "other"))) ~ 1, id = seq_len(nrow(p)))
  s <- summary(fit, times = day, extend = TRUE)
  share <- s$pstate[, 2]
  if (share == 0) return(c(0, NA, NA))
  times <- sort(unique(p$day[p$cause > 0 & p$day <= day]))
  n <- vapply(times, function(t) risk(p, t), 0)
  all <- vapply(times, function(t) 0 + sum(p$day == t & p$cause > 0), 0)
  mine <- vapply(times, function(t) 0 + sum(p$day == t & p$cause == 1), 0)
  before <- c(1, cumprod(1 - all / n))[seq_along(times)]
  rest <- sum(before * mine / n) - cumsum(before * mine / n)
  variance <- sum(rest^2 * all / (n * (n - all)) + before^2 * mine * (n - mine) / n^3 - 2 * rest * before * mine / n^2)
  ratio <- sqrt(variance) / s$std.err[, 2]
  compared <<- compared + 1
  if (ratio < 0.8 || ratio > 1.25) faults <<- c(faults, sprintf("day %d: the standard error of an incidence is %.3f times that of R", day, ratio))
  half <- z * sqrt(variance) / (share * abs(log(share)))
  c(share, share^exp(half), share^exp(-half))
}

told <- function(p, day) {
  ends <- p$day[p$cause > 0 & p$day <= day]
  risk(p, day) >= 10 && all(vapply(unique(ends), function(t) risk(p, t), 0) >= 10)
}

hold <- function(what, p, day, competes, a, name) {
  estimate <- c(NA, NA, NA)
  if (told(p, day)) {
    estimate <- if (competes) incidence(p, day) else product.limit(p, day)
    if (estimate[1] == 0) estimate[2:3] <- binom.test(0, sum(p$entry == 0 & p$day >= day))$conf.int
  }
  same(paste(what, name), number(a[[name]]), estimate[1])
  same(paste(what, name, "lower"), number(a[[paste0(name, "_lower")]]), estimate[2])
  same(paste(what, name, "upper"), number(a[[paste0(name, "_upper")]]), estimate[3])
  is.na(estimate[1]) == FALSE && estimate[1] > 0
}

said <- rows(answers, "freedom")
said <- said[is.na(said$stratum), ]
curves <- 0
for (i in seq_len(nrow(said))) {
  a <- said[i, ]
  p <- curve(a$event)
  day <- number(a$day)
  what <- paste(a$event, "day", day)
  competes <- a$event %in% c("reintervention", "recurrence")
  same(paste(what, "patients"), number(a$patients), nrow(p))
  same(paste(what, "events"), number(a$events), sum(p$cause == 1))
  same(paste(what, "competing"), number(a$competing), sum(p$cause == 2))
  same(paste(what, "unseen"), number(a$unseen), sum(p$cause == 2 & p$day > p$look))
  same(paste(what, "late entries"), number(a$late_entries), sum(p$entry > 0))
  same(paste(what, "at risk"), number(a$at_risk), risk(p, day))
  same(paste(what, "events so far"), number(a$events_so_far), sum(p$cause == 1 & p$day <= day))
  end <- ifelse(p$cause > 0, p$day, p$until)
  seen <- ifelse(p$cause == 1, p$day, pmin(p$look, end))
  same(paste(what, "completeness"), number(a$completeness), sum(pmax(0, seen - p$entry)) / sum(pmax(0, end - p$entry)))
  curves <- curves + hold(what, p, day, competes, a, "share")
  if (a$event == "recurrence") {
    early <- p
    early$day <- ifelse(p$cause == 1, pmin(p$day, pmax(p$without, p$entry) + 1), p$day)
    hold(what, early, day, TRUE, a, "earliest_share")
  }
}

# ---- funnels -------------------------------------------------------------------------------

# The exact limits of a share, drawn between counts: Spiegelhalter, Stat Med
# 2005;24:1185-1202.
limit <- function(n, target, p) {
  r <- qbinom(p, n, target)
  min(1, max(0, (r - (pbinom(r, n, target) - p) / dbinom(r, n, target)) / n))
}

half.year <- function(d) paste0(format(d, "%Y"), "-H", ifelse(as.integer(format(d, "%m")) <= 6, 1, 2))
none <- function(x) if (is.null(x)) NA else x
outcomes <- jsonlite::fromJSON(file.path(answers, "outcomes.json"), simplifyVector = FALSE)
funnels <- 0
for (f in outcomes$funnels) {
  if (isTRUE(f$widened)) next
  for (unit in f$points) {
    if (is.null(unit$target)) next
    what <- paste(f$outcome, unit$label)
    count <- if (is.null(unit$share$count)) 0 else unit$share$count
    n <- unit$share$of
    if (f$outcome == "conversion") {
      first.cases <- which(!later & operated <= as.of & !is.na(cases$repair_converted) & cases$setting_intended_procedure %in% "repair")
      mine <- first.cases[half.year(operated[first.cases]) == unit$label]
      others <- setdiff(first.cases, mine)
      same(paste(what, "cases"), n, length(mine))
      same(paste(what, "conversions"), count, sum(cases$repair_converted[mine] == "yes"))
      same(paste(what, "target"), unit$target, mean(cases$repair_converted[others] == "yes"))
    }
    interval <- suppressWarnings(prop.test(count, n, correct = FALSE)$conf.int)
    same(paste(what, "share, lower"), none(unit$share$share$lower), interval[1], 1e-8)
    same(paste(what, "share, upper"), none(unit$share$share$upper), interval[2], 1e-8)
    for (middle in c(95, 998)) {
      tail <- (1 - middle / ifelse(middle > 100, 1000, 100)) / 2
      low <- if (pbinom(0, n, unit$target) < tail) limit(n, unit$target, tail) else NA
      high <- if (unit$target^n < tail) limit(n, unit$target, 1 - tail) else NA
      same(paste(what, "lower limit", middle), none(unit[[paste0("lower", middle)]]), low)
      same(paste(what, "upper limit", middle), none(unit[[paste0("upper", middle)]]), high)
      funnels <- funnels + 1
    }
  }
}

cat(sprintf("R %s.%s, survival %s: %d numbers compared, %d figures of agreement, %d points of curves, %d pairs of funnel limits\n",
  R.version$major, R.version$minor, packageVersion("survival"), compared, agreements, curves, funnels))
# Where next to nothing was there to compare, nothing was checked.
if (agreements < 10 || curves < 12 || funnels < 20 || compared < 600) faults <- c(faults, "too little was compared")
if (length(faults) > 0) {
  cat(sprintf("%d faults\n", length(faults)), faults, sep = "\n")
  quit(status = 1)
}
