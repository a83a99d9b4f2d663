"""Every entry of the document that `fairtank pool --json` prints: what it is, in which unit, from which source.

Paths as in :mod:`analysis.dictionary`. "reported" is a ratio on the ratio scale, else the question's unit; "working" its
logarithm, else the same.
"""

from __future__ import annotations

from analysis.dictionary import Entry

_HKSJ = "Hartung and Knapp (2001) Stat. Med. 20:3875"
_WIDENED = "Röver, Knapp and Friede (2015) BMC Med. Res. Methodol. 15:99"
_PROFILE = "Viechtbauer (2007) Stat. Med. 26:37"
_I2 = "Higgins and Thompson (2002) Stat. Med. 21:1539"
_FIT = {
    "trials_pooled": Entry("trials in it", "1"),
    "estimate": Entry("mean effect: test over reference, or test minus reference", "reported"),
    "se": Entry("its standard error", "working"),
    "df": Entry("degrees of freedom of its t; null where normal", "1"),
    "low": Entry("lower limit at 1 - alpha", "reported"),
    "high": Entry("upper limit at 1 - alpha", "reported"),
    "p": Entry("two-sided p of no difference", "1"),
    "tau2": Entry("variance between trials; null where none is in the model", "working squared"),
    "reading": Entry("the interval read against every worthwhile difference; null without one"),
}
_SLOPE = {
    "name": Entry("what differs between trials: dose, starting_nitrate"),
    "unit": Entry("its unit"),
    "k": Entry("trials that have it", "1"),
    "slope": Entry(
        "change of the effect with one unit", "working", "Knapp and Hartung (2003) Stat. Med. 22:2693"
    ),
    "se": Entry("its standard error", "working"),
    "df": Entry("its degrees of freedom", "1"),
    "low": Entry("its lower limit", "working"),
    "high": Entry("its upper limit", "working"),
    "p": Entry("two-sided p of no slope; exploratory", "1"),
    "tau2": Entry("variance between trials that is left", "working squared"),
    "explained": Entry("share of tau2 that goes; null where not all trials have it or there was none", "1"),
}
_TRIAL = {
    "trial": Entry("id of the trial"),
    "title": Entry("its title, or the citation"),
    "ended": Entry("its last day, or the publication's date; null where not known"),
    "from_publication": Entry("whether only a publication was there, no readings"),
    "endpoint": Entry("its endpoint"),
    "test": Entry("its arm compared"),
    "reference": Entry("its arm compared against"),
    "n": Entry("pairs or tanks compared", "1"),
    "tanks": Entry("tanks of the two arms", "1"),
    "estimate": Entry("its own estimate", "reported"),
    "se": Entry("its standard error", "working"),
    "df": Entry("its degrees of freedom; null where normal", "1"),
    "low": Entry("its own lower limit", "reported"),
    "high": Entry("its own upper limit", "reported"),
    "weight": Entry("its share of the weights 1 / (se^2 + tau2)", "1"),
    "sd": Entry("between its tanks, as planning counts it; null where not known", "working"),
    "modifiers.dose": Entry("carbon of the test arm at full dose", "mg/L/d"),
    "modifiers.starting_nitrate": Entry("mean nitrate of all tanks in the baseline", "mg/L"),
    "modifiers": Entry("what may change its effect"),
    "remarks[]": Entry("what must be known of it here"),
}
_SPREAD = {
    "": Entry("how much true effects differ; null for one trial"),
    ".tau2": Entry(
        "variance between trials by REML",
        "working squared",
        "Viechtbauer (2005) J. Educ. Behav. Stat. 30:261",
    ),
    ".tau2_low": Entry("its lower limit", "working squared", _PROFILE),
    ".tau2_high": Entry("its upper limit", "working squared", _PROFILE),
    ".i2": Entry("share of the spread that is not sampling error", "1", _I2),
    ".i2_low": Entry("its lower limit", "1", _PROFILE),
    ".i2_high": Entry("its upper limit", "1", _PROFILE),
    ".h2": Entry("total over sampling variance", "1", _I2),
    ".q": Entry("Cochran's statistic", "1", "Cochran (1954) Biometrics 10:101"),
    ".df": Entry("its degrees of freedom", "1"),
    ".p": Entry("its p by chi-square", "1"),
    ".i2_q": Entry("I2 by Q in place of tau2", "1", _I2),
}
_NEXT = {
    "": Entry("the next trial; null where no trial tells how much tanks differ"),
    ".effect": Entry("effect to plan with: the pooled estimate", "reported"),
    ".sd": Entry("sd to plan with: root mean square of the trials'", "working"),
    ".effect_sd": Entry("spread of the next trial's true effect: sqrt(tau2 + se^2)", "working"),
    ".blocked": Entry("whether sizes count blocks; else tanks an arm"),
    ".wished": Entry("power wished for", "1"),
    ".alpha": Entry("two-sided level", "1"),
    ".for_estimate": Entry("size that finds the pooled estimate; null up to 500", "1"),
    ".on_average": Entry("size whose power averaged over the prediction is as wished; null up to 500", "1"),
    ".for_least": Entry(
        "size that finds the end of the prediction nearest to none; null where it includes none", "1"
    ),
    ".right_way": Entry("chance that a further trial truly lies in the direction of the estimate", "1"),
    ".settling": Entry("size of one more trial that settles the question, were the estimate to stay", "1"),
    ".settling_trials": Entry("else trials like those so far that would", "1"),
    ".settled": Entry("whether nothing is left to settle"),
    ".sentences[]": Entry("the same in words"),
}
_QUESTION = {
    "question": Entry("id of the question"),
    "title": Entry("its title"),
    "role": Entry("primary where any trial has it so"),
    "variable": Entry("variable measured"),
    "summary": Entry("how readings became one number a tank"),
    "phase": Entry("phase whose readings count"),
    "scale": Entry("difference or ratio"),
    "unit": Entry("unit of the reported scale"),
    "better": Entry("direction of improvement"),
    "test": Entry("what the arm compared is given"),
    "reference": Entry("what the arm compared against is given"),
    "alpha": Entry("smallest error rate that the trials registered", "1"),
    "k": Entry("trials that ask it", "1"),
    "method": Entry("reml-hartung-knapp, or single-trial", "", _HKSJ),
    **_FIT,
    "read_from": Entry(
        "fit whose interval is read: the widened one where the other is narrower than the fixed effect's",
        "",
        _WIDENED,
    ),
    "margins[]": Entry("worthwhile differences of the trials, the smallest first", "reported"),
    "i2": Entry("as in heterogeneity; null for one trial", "1", _I2),
    **{f"heterogeneity{key}": entry for key, entry in _SPREAD.items()},
    "prediction_low": Entry(
        "lower end for the true effect of a further trial; null for one trial",
        "reported",
        "IntHout et al. (2016) BMJ Open 6:e010247",
    ),
    "prediction_high": Entry("its upper end", "reported", "IntHout et al. (2016) BMJ Open 6:e010247"),
    "prediction_df": Entry("its degrees of freedom, k - 1", "1"),
    "prediction_beside": Entry("the same without Hartung and Knapp, on k - 2; null below three trials"),
    "prediction_beside.low": Entry(
        "its lower end", "reported", "Higgins, Thompson and Spiegelhalter (2009) JRSS A 172:137"
    ),
    "prediction_beside.high": Entry(
        "its upper end", "reported", "Higgins, Thompson and Spiegelhalter (2009) JRSS A 172:137"
    ),
    "prediction_beside.df": Entry("its degrees of freedom", "1"),
    "widened": Entry(
        "Hartung and Knapp's interval with their factor kept at 1 or more; null for one trial", "", _WIDENED
    ),
    "widened.method": Entry("reml-hartung-knapp-widened"),
    **{f"widened.{key}": entry for key, entry in _FIT.items()},
    "beside[].method": Entry("fixed-effect, dersimonian-laird, paule-mandel-hartung-knapp, variances-of-t"),
    **{f"beside[].{key}": entry for key, entry in _FIT.items()},
    **{f"trials[].{key}": entry for key, entry in _TRIAL.items()},
    "leave_one_out[].without": Entry("trial left out"),
    **{f"leave_one_out[].{key}": entry for key, entry in _FIT.items()},
    "cumulative[].up_to": Entry("trial last added, by date"),
    "cumulative[].ended": Entry("its date"),
    **{f"cumulative[].{key}": entry for key, entry in _FIT.items()},
    **{f"modifiers[].{key}": entry for key, entry in _SLOPE.items()},
    "small_study": Entry("the effect regressed on its standard error; null below ten trials"),
    "small_study.slope": Entry("its slope", "1", "Sterne and Egger (2005); Egger et al. (1997) BMJ 315:629"),
    "small_study.se": Entry("its standard error", "1"),
    "small_study.z": Entry("slope over error", "1"),
    "small_study.p": Entry("two-sided p by the normal law", "1"),
    **{f"next_trial{key}": entry for key, entry in _NEXT.items()},
    "notes[]": Entry("what must be known before it is used, what turns the reading first"),
    "answer": Entry("the answer in words"),
}
POOLED_DICTIONARY: dict[str, Entry] = (
    _QUESTION
    | {f"questions[].{key}": entry for key, entry in _QUESTION.items()}
    | {
        "fairtank": Entry("version that computed the document"),
        "left_out[]": Entry("contrasts that were not pooled, each with why"),
        "settled[]": Entry("what the trials settle together"),
        "unsettled[]": Entry("what they do not"),
        "unused[]": Entry("trials that are in no question"),
        "planning": Entry("the [planning] table for the next trial's protocol"),
    }
)
"""Every path of the document; the first question stands at the top as well."""
