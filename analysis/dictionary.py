"""What each entry of the JSON of ``fairtank analyse`` is: meaning, unit, source. A test compares it with the output.

A path names nested objects with dots and lists with ``[]``. Units: "working" is the endpoint's unit, or the natural
logarithm on the ratio scale; "reported" the endpoint's unit, or a ratio without unit on the ratio scale; "1" has none.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Entry:
    """One entry of the document."""

    what: str
    unit: str = ""
    source: str = ""


_WELCH = "Student's t; Welch (1947) Biometrika 34:28 for parallel arms"
_DRAWS = "Fisher (1935) The Design of Experiments, section 21"
_CONTRAST = {
    "test": Entry("arm compared"),
    "reference": Entry("arm compared against"),
    "n": Entry(
        "pairs (blocks that hold both arms) for own error in blocks, else tanks or tank-periods compared", "1"
    ),
    "estimate": Entry("test minus reference, or test over reference on the ratio scale", "reported"),
    "se": Entry("standard error of the estimate", "working"),
    "df": Entry(
        "degrees of freedom of the standard error",
        "1",
        "Satterthwaite (1946) Biometrics 2:110 where not whole",
    ),
    "low": Entry("lower limit of the unadjusted interval at 1 - alpha", "reported", _WELCH),
    "high": Entry("upper limit of the unadjusted interval at 1 - alpha", "reported", _WELCH),
    "p": Entry("two-sided p of no difference", "1", _WELCH),
    "reading": Entry("the interval read against the worthwhile difference; null without one"),
    "favours": Entry("arm that does better by the estimate; null when equal"),
}
_FULL = _CONTRAST | {
    "p_adjusted": Entry(
        "p adjusted by the registered rule", "1", "Holm (1979) Scand. J. Statist. 6:65; Dunnett (1955)"
    ),
    "effect_size": Entry("standardised effect; null without an error"),
    "effect_size.name": Entry("which standardised effect it is"),
    "effect_size.value": Entry("estimate over its standardiser", "1"),
    "effect_size.low": Entry("lower limit", "1", "noncentral t: Steiger and Fouladi (1997)"),
    "effect_size.high": Entry("upper limit", "1", "noncentral t: Steiger and Fouladi (1997)"),
    "randomisation": Entry("test over the draws that could have been; null where chance did not decide"),
    "randomisation.p": Entry("share of draws with an estimate as far from 0, ties counted", "1", _DRAWS),
    "randomisation.method": Entry("exact (all draws counted) or monte-carlo"),
    "randomisation.draws": Entry("draws compared", "1"),
    "randomisation.low": Entry(
        "least shift that the test does not reject; null where unbounded", "reported", _DRAWS
    ),
    "randomisation.high": Entry(
        "greatest shift that the test does not reject; null where unbounded", "reported", _DRAWS
    ),
    "randomisation.smallest_p": Entry("least p that this allocation can reach", "1"),
    "randomisation.se": Entry("Monte Carlo standard error of p, 0 when exact", "1"),
    "censoring": Entry("what readings beyond a kit's limit allow"),
    "censoring.n_censored": Entry("censored readings of the tanks compared, baseline among them", "1"),
    "censoring.lowest": Entry(
        "estimate at the lowest end of all intervals; null where unbounded", "reported"
    ),
    "censoring.highest": Entry(
        "estimate at the highest end of all intervals; null where unbounded", "reported"
    ),
    "censoring.readings[]": Entry("the reading at either end; null where it has no interval"),
    "equivalence": Entry("two one-sided tests against the worthwhile difference; null without one"),
    "equivalence.p_lower": Entry(
        "p of lying at or below minus the worthwhile distance", "1", "Schuirmann (1987)"
    ),
    "equivalence.p_upper": Entry("p of lying at or above the worthwhile distance", "1", "Schuirmann (1987)"),
    "equivalence.p": Entry("the larger of the two", "1", "Schuirmann (1987)"),
}
_F_TEST = {
    "": Entry("F test; null where there is none"),
    ".F": Entry("F statistic", "1"),
    ".df1": Entry("numerator degrees of freedom", "1"),
    ".df2": Entry("denominator degrees of freedom", "1"),
    ".p": Entry("p of F", "1"),
}
_TOP = {
    "trial": Entry("id of the trial"),
    "protocol_digest": Entry("SHA-256 of the canonical protocol", "", "FIPS 180-4; RFC 8785"),
    "data_digest": Entry(
        "SHA-256 over the accepted readings, whatever their order", "", "FIPS 180-4; RFC 8785"
    ),
    "fairtank": Entry("version that computed the document"),
    "masked": Entry("whether arms are shown as letters, until data entry is closed"),
    "notes[]": Entry("what must be known of the whole trial, in sentences"),
    "readings.total": Entry("accepted readings", "1"),
    "readings.by_phase": Entry("accepted readings by phase", "1"),
    "readings.between": Entry("readings in no phase before the end", "1"),
    "readings.after_the_end": Entry("readings after the last day", "1"),
    "readings.off_due_day": Entry("readings on another day than due", "1"),
    "readings.duplicates": Entry("readings repeated within a day, averaged first", "1"),
    "readings.censored": Entry("readings beyond a kit's limit", "1"),
    "readings.first_day": Entry("day of the first reading"),
    "readings.last_day": Entry("day of the last reading"),
}
_MEASUREMENT = {
    "repeatability[].variable": Entry("variable with duplicates on a day"),
    "repeatability[].kit": Entry("kit that read them; empty where not given"),
    "repeatability[].df": Entry("degrees of freedom", "1"),
    "repeatability[].sd": Entry("within-tank standard deviation", "variable's", "ISO 5725-2"),
    "repeatability[].low": Entry("its lower limit by chi-square", "variable's"),
    "repeatability[].high": Entry("its upper limit by chi-square", "variable's"),
    "repeatability[].limit": Entry("difference that 95 % of pairs stay within", "variable's", "ISO 5725-6"),
    "agreement[].variable": Entry("variable that two kits read in the same tank on the same day"),
    "agreement[].first": Entry("one kit"),
    "agreement[].second": Entry("the other kit"),
    "agreement[].n": Entry("pairs", "1"),
    "agreement[].bias": Entry(
        "mean of first minus second", "variable's", "Bland and Altman (1986) Lancet i:307"
    ),
    "agreement[].bias_low": Entry("its lower limit", "variable's"),
    "agreement[].bias_high": Entry("its upper limit", "variable's"),
    "agreement[].lower": Entry("lower limit of agreement", "variable's", "Bland and Altman (1986, 2007)"),
    "agreement[].upper": Entry("upper limit of agreement", "variable's", "Bland and Altman (1986, 2007)"),
    "inside_tanks[].first": Entry("a variable"),
    "inside_tanks[].second": Entry("another variable"),
    "inside_tanks[].df": Entry("degrees of freedom", "1"),
    "inside_tanks[].r": Entry(
        "correlation inside tanks", "1", "Bakdash and Marusich (2017) Front. Psychol. 8:456"
    ),
    "inside_tanks[].low": Entry("its lower limit", "1"),
    "inside_tanks[].high": Entry("its upper limit", "1"),
    "inside_tanks[].p": Entry("p of no correlation", "1"),
    "inside_tanks[].slope": Entry("slope of the second on the first inside tanks", "variables'"),
}
_DOSE = {
    "": Entry("carbon given against carbon planned, over the days of dosing; null without carbon or events"),
    ".tanks[].tank": Entry("tank"),
    ".tanks[].arm": Entry("its arm as allocated"),
    ".tanks[].period": Entry("period, 1 unless a crossover", "1"),
    ".tanks[].days": Entry("days of dosing followed; of a polymer those between weighings", "d"),
    ".tanks[].days_without": Entry("of them without a dose; null for a polymer and where none is given", "d"),
    ".tanks[].carbon": Entry(
        "carbon given: doses by their strength, polymer by what was worn off; null where it cannot be told",
        "mg C/L/d",
        "formulae of the sources, IUPAC standard atomic weights",
    ),
    ".tanks[].planned": Entry(
        "carbon by the full dose registered and the ramp, over the same days; of a polymer what it would wear off by the "
        "wear and settling that planning assumes",
        "mg C/L/d",
    ),
    ".tanks[].added": Entry("polymer added", "g"),
    ".tanks[].worn": Entry("polymer worn off between weighings", "g"),
    ".tanks[].why_not": Entry("why the carbon cannot be told; empty where it can"),
    ".tanks[].share": Entry("carbon given over carbon planned", "1"),
    ".arms[].arm": Entry("arm"),
    ".arms[].tanks": Entry("its tanks (and periods)", "1"),
    ".arms[].known": Entry("those of which the carbon can be told", "1"),
    ".arms[].carbon": Entry("mean carbon given of those", "mg C/L/d"),
    ".arms[].least": Entry("least of those", "mg C/L/d"),
    ".arms[].most": Entry("most of those", "mg C/L/d"),
    ".arms[].planned": Entry("mean carbon planned", "mg C/L/d"),
    ".arms[].share": Entry("carbon given over carbon planned, of tanks with both", "1"),
    ".arms[].days_without": Entry("days without a dose, all tanks", "d"),
    ".arms[].added": Entry("polymer added, all tanks", "g"),
    ".arms[].worn": Entry("polymer worn off, all tanks", "g"),
    ".notes[]": Entry("what must be known of the doses, in sentences"),
}
_FEED = "feed with 45 % protein and 1.2 % phosphorus (common practice), 16 % of protein nitrogen"
_BALANCE = {
    "": Entry("what left the water of each arm, described; null where neither nitrate nor phosphate is read"),
    ".phase": Entry("phase that it is over"),
    ".balances[].arm": Entry("arm"),
    ".balances[].variable": Entry("nitrate or phosphate"),
    ".balances[].tanks": Entry("its tanks (and periods)", "1"),
    ".balances[].known": Entry("those with a balance; means are of those", "1"),
    ".balances[].fed": Entry("brought in by feed", "mg/L/d", _FEED),
    ".balances[].changed": Entry("taken out by water changes", "mg/L/d"),
    ".balances[].fell": Entry("fall from the first reading to the last", "mg/L/d"),
    ".balances[].removed": Entry("what no record accounts for: fed less changed, and the fall", "mg/L/d"),
    ".balances[].sd": Entry("standard deviation of removed between tanks, n - 1", "mg/L/d"),
    ".balances[].lowest": Entry("least mean removed that censored readings allow", "mg/L/d"),
    ".balances[].highest": Entry("greatest mean removed that censored readings allow", "mg/L/d"),
    ".balances[].beyond_control": Entry("removed less that of the first control arm", "mg/L/d"),
    ".balances[].carbon": Entry(
        "mean carbon given over the same days, of tanks where it can be told", "mg C/L/d"
    ),
    ".balances[].per_gram": Entry("removed by gram of carbon in those tanks", "mg/g"),
    ".balances[].beyond_per_gram": Entry("removed beyond control by gram of carbon in those tanks", "mg/g"),
    ".slopes[].arm": Entry("arm"),
    ".slopes[].tanks": Entry("tanks with three days or more of both readings", "1"),
    ".slopes[].days": Entry("their days", "1"),
    ".slopes[].slope": Entry(
        "nitrate on phosphate inside tanks, one slope for all, by least squares", "mg/mg"
    ),
    ".growth_least": Entry(
        "nitrate by phosphate that growth of bacteria takes",
        "mg/mg",
        "C:N:P 50:10:1; Fagerbakke et al. (1996)",
    ),
    ".growth_most": Entry("the same of plankton", "mg/mg", "C:N:P 106:16:1; Redfield"),
    ".meaning": Entry("what balance and slope mean, in a sentence"),
}
_ENDPOINT = {
    "id": Entry("id of the endpoint"),
    "title": Entry("its title"),
    "role": Entry("primary, secondary or safety"),
    "variable": Entry("variable measured"),
    "summary": Entry("how readings become one number a tank"),
    "phase": Entry("phase whose readings count"),
    "baseline": Entry("how the baseline phase enters"),
    "scale": Entry("difference or ratio"),
    "better": Entry("direction of improvement of the number analysed"),
    "worthwhile": Entry("registered worthwhile difference", "reported"),
    "unit": Entry("unit of the reported scale"),
    "alpha": Entry("registered error rate", "1"),
    "variance": Entry("where the registered error comes from"),
    "multiplicity": Entry("how comparisons share the error rate"),
    "n_tanks": Entry("tanks (tank-periods in a crossover) analysed", "1"),
    "n_blocks": Entry("blocks (tanks in a crossover) analysed, 0 in parallel arms", "1"),
    "arms[].arm": Entry("arm"),
    "arms[].n": Entry("tanks analysed", "1"),
    "arms[].mean": Entry(
        "mean of the tanks' numbers (of changes, or of ratios to baseline)", "reported or variable's"
    ),
    "arms[].sd": Entry("their standard deviation, n - 1", "reported or variable's"),
    "arms[].geometric_mean": Entry("geometric mean, on the ratio scale", "variable's or 1"),
    "arms[].adjusted_mean": Entry("mean at the average baseline, every block alike", "variable's"),
    "described[].arm": Entry("arm"),
    "described[].n": Entry("its readings in the phase", "1"),
    "described[].n_below": Entry("readings below a kit's limit", "1"),
    "described[].n_above": Entry("readings above a kit's limit, counted at it", "1"),
    "described[].mean": Entry(
        "product-limit mean of the readings", "variable's", "Kaplan and Meier (1958); Helsel (2012)"
    ),
    "described[].sd": Entry("standard deviation of that curve's masses", "variable's"),
    "described[].leftover": Entry("share of the mass below everything measured", "1"),
    "described[].placed_at": Entry("where that share is placed; null where there is none", "variable's"),
    **{f"omnibus{key}": entry for key, entry in _F_TEST.items()},
    **{f"period{key}": entry for key, entry in _F_TEST.items()},
    **{f"carry_over{key}": entry for key, entry in _F_TEST.items()},
    **{f"contrasts[].{key}": entry for key, entry in _FULL.items()},
    "ranks.omnibus": Entry("rank test of all arms; null with fewer than three"),
    "ranks.omnibus.name": Entry("Friedman, Kruskal-Wallis or log-rank"),
    "ranks.omnibus.statistic": Entry("its chi-square statistic", "1", "Hollander and Wolfe (1999)"),
    "ranks.omnibus.df": Entry("its degrees of freedom", "1"),
    "ranks.omnibus.p": Entry("p by chi-square", "1"),
    "ranks.omnibus.n": Entry("complete blocks, or tanks", "1"),
    "ranks.omnibus.w": Entry("Kendall's W, for Friedman", "1", "Kendall and Babington Smith (1939)"),
    "ranks.contrasts[].test": Entry("arm compared"),
    "ranks.contrasts[].reference": Entry("arm compared against"),
    "ranks.contrasts[].name": Entry("which rank test"),
    "ranks.contrasts[].statistic": Entry(
        "sum of positive ranks, rank sum of the test arm, or chi-square", "1"
    ),
    "ranks.contrasts[].n": Entry("pairs or tanks that tell anything", "1"),
    "ranks.contrasts[].p": Entry("two-sided p", "1", "Hollander and Wolfe (1999), chapters 3 and 4"),
    "ranks.contrasts[].method": Entry("exact, or which approximation"),
    "ranks.contrasts[].estimate": Entry("Hodges-Lehmann estimate", "reported", "Hodges and Lehmann (1963)"),
    "ranks.contrasts[].low": Entry("lower limit by order statistics", "reported"),
    "ranks.contrasts[].high": Entry("upper limit by order statistics", "reported"),
    "ranks.contrasts[].level": Entry("confidence that the limits achieve", "1"),
    "sphericity": Entry("complete blocks of three or more arms without a covariate; else null"),
    "sphericity.w": Entry("Mauchly's W", "1", "Mauchly (1940)"),
    "sphericity.p": Entry("its p", "1"),
    "sphericity.gg": Entry("Greenhouse-Geisser epsilon", "1", "Greenhouse and Geisser (1959)"),
    "sphericity.hf": Entry("Huynh-Feldt epsilon, at most 1", "1", "Huynh and Feldt (1976)"),
    "sphericity.p_gg": Entry("p of F with Greenhouse-Geisser's correction", "1"),
    "sphericity.p_hf": Entry("p of F with Huynh-Feldt's correction", "1"),
    "time": Entry("days to target; null for other summaries"),
    "time.horizon": Entry("days beyond it are not compared", "d"),
    "time.curves[].arm": Entry("arm"),
    "time.curves[].days[]": Entry("sampling days at which tanks reached the target", "d"),
    "time.curves[].share[]": Entry("share not yet at target after each", "1", "Kaplan and Meier (1958)"),
    "time.curves[].low[]": Entry(
        "lower limit of the share at 1 - alpha, null where it is 0", "1", "Kalbfleisch and Prentice (1980)"
    ),
    "time.curves[].high[]": Entry("its upper limit", "1", "Kalbfleisch and Prentice (1980)"),
    "time.curves[].earliest_days[]": Entry(
        "the same days were each target met right after the day before", "d"
    ),
    "time.curves[].earliest_share[]": Entry("share not yet at target after each of those", "1"),
    "time.curves[].reached": Entry("tanks that reached and held the target", "1"),
    "time.curves[].n": Entry("tanks", "1"),
    "time.curves[].median": Entry("first day by which half the tanks reached it, null if never", "d"),
    "time.curves[].median_low": Entry(
        "lower limit of the median, null where open", "d", "Brookmeyer and Crowley (1982) Biometrics 38:29"
    ),
    "time.curves[].median_high": Entry(
        "upper limit of the median, null where open", "d", "Brookmeyer and Crowley (1982) Biometrics 38:29"
    ),
    "time.curves[].restricted_se": Entry(
        "Greenwood's standard error of the mean up to the horizon", "d", "Klein and Moeschberger (2003), 4.5"
    ),
    "time.curves[].restricted_mean": Entry(
        "mean days to target up to the horizon", "d", "Andersen, Hansen and Klein (2004)"
    ),
    "rates[].arm": Entry("arm"),
    "rates[].events": Entry("events counted", "1"),
    "rates[].tank_days": Entry("exposure", "d"),
    "rates[].rate": Entry("events a tank-day", "1/d"),
    "rates[].low": Entry("exact lower limit", "1/d", "Garwood (1936) Biometrika 28:437"),
    "rates[].high": Entry("exact upper limit", "1/d", "Garwood (1936) Biometrika 28:437"),
    "overdispersion": Entry("Pearson's statistic of counts over its degrees of freedom", "1"),
    "serial_correlation": Entry(
        "correlation of daily differences one day apart, before-after", "1", "Jones (1993)"
    ),
    "missing.arms[].arm": Entry("arm"),
    "missing.arms[].allocated": Entry("tanks allocated", "1"),
    "missing.arms[].followed": Entry("tanks with a reading in the phase", "1"),
    "missing.arms[].analysed": Entry("tanks with a number", "1"),
    "missing.arms[].days_due": Entry("sampling days due in the phase, all tanks", "1"),
    "missing.arms[].days": Entry("sampling days with a reading", "1"),
    "missing.tanks[].tank": Entry("tank without a number"),
    "missing.tanks[].arm": Entry("its arm"),
    "missing.tanks[].reason": Entry("why it has none"),
    "notes[]": Entry(
        "what must be known of the endpoint, in sentences, what turns on censored readings first"
    ),
    "tipping[].test": Entry("arm compared"),
    "tipping[].reference": Entry("arm compared against"),
    "tipping[].arm": Entry("arm whose missing tanks are shifted"),
    "tipping[].tanks": Entry("missing tanks filled in", "1"),
    "tipping[].down": Entry(
        "nearest shift below none that turns the reading; null where none does", "reported"
    ),
    "tipping[].up": Entry(
        "nearest shift above none that turns the reading; null where none does", "reported"
    ),
    "tipping[].shifts[].shift": Entry(
        "shift of the filled-in tanks (a factor on the ratio scale)", "reported"
    ),
    "tipping[].shifts[].reading": Entry(
        "what the pooled comparison says then", "", "Rubin (1987); Barnard and Rubin (1999)"
    ),
    "sensitivity[].name": Entry(
        "the other way of analysing, e.g. as-treated (arms as given, not as allocated) or kit-corrected (readings as "
        "registered corrections of their kits have them)"
    ),
    **{f"sensitivity[].contrasts[].{key}": entry for key, entry in _CONTRAST.items()},
    "tanks[].tank": Entry("tank"),
    "tanks[].arm": Entry("its arm"),
    "tanks[].block": Entry("its block"),
    "tanks[].site": Entry("its site"),
    "tanks[].period": Entry("period, in a crossover"),
    "tanks[].value": Entry("summary of its readings", "variable's"),
    "tanks[].lowest": Entry("least value that censored readings allow", "variable's"),
    "tanks[].highest": Entry("greatest value that censored readings allow", "variable's"),
    "tanks[].baseline": Entry("baseline number", "variable's"),
    "tanks[].baseline_lowest": Entry("least baseline that censored readings allow", "variable's"),
    "tanks[].baseline_highest": Entry("greatest baseline that censored readings allow", "variable's"),
    "tanks[].y": Entry("number analysed", "working"),
    "tanks[].y_lowest": Entry("its least possible value; null where unbounded", "working"),
    "tanks[].y_highest": Entry("its greatest possible value; null where unbounded", "working"),
    "tanks[].days": Entry(
        "sampling days with a reading in the phase; of a derived variable the days that it is over", "1"
    ),
    "tanks[].days_due": Entry("sampling days due in the phase", "1"),
    "tanks[].readings": Entry("readings used, each duplicate counted", "1"),
    "tanks[].censored": Entry("how many of them are censored", "1"),
    "tanks[].exposure": Entry(
        "days that a count is over: of the phase, for a tank that left until then; null for other summaries",
        "d",
    ),
}
DICTIONARY: dict[str, Entry] = (
    _TOP
    | {f"measurement.{key}": entry for key, entry in _MEASUREMENT.items()}
    | {f"dose{key}": entry for key, entry in _DOSE.items()}
    | {f"balance{key}": entry for key, entry in _BALANCE.items()}
    | {f"endpoints[].{key}": entry for key, entry in _ENDPOINT.items()}
)
"""Every path of the document."""
