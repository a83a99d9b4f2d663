"""What lies where in a pack, and what every column of every table is."""

from __future__ import annotations

import re
from pathlib import PurePath

from schemas.vocabulary import RowOutcome
from trials.pack.tables import Column, Reference, Table

FORMAT = 1
"""The number of this layout, in ``pack.json``; a pack of another number is not read."""

DESCRIPTOR = "datapackage.json"
SUMS = "SHA256SUMS"
README = "README.md"
LICENCE = "LICENCE.md"
CITATION = "CITATION.cff"
DATACITE = "datacite.json"
MADE_WITH = "pack.json"
SEALED = "protocol/sealed.json"
CHAIN = "record/chain.jsonl"
HEAD = "record/head.txt"
BY_HAND = "allocation/by-hand.txt"
RESULTS = "results/results.json"

_NOT_GIVEN = "not given"
_ENTRY = Column("entry", "integer", "number of the entry of the register's chain, in record/chain.jsonl")
_AT = Column("at", "datetime", "when it was recorded, in UTC, as the register's machine had it")
_BY = Column(
    "by", "string", "who says so: a person's code, or the name with the person's consent", _NOT_GIVEN
)
_WHY = Column("why", "string", "why", "left out: free texts are not in this pack")
_FILE = (
    Column("entry", "integer", "entry of the file that it came in, in data/files.csv"),
    Column("sheet", "string", "sheet of the workbook", "a text file has none"),
    Column("row", "integer", "row as a spreadsheet counts it, the header being the first"),
)
_WHERE = (
    Column("by", "string", "who read it: a person's code, or the name with the person's consent", _NOT_GIVEN),
    Column(
        "note", "string", "what was noted beside it", "nothing noted, or free texts left out of this pack"
    ),
)
_MEASURED = (
    Column("taken_at", "datetime", "when, as on the person's clock"),
    Column("utc_offset", "string", "offset of that clock from UTC", _NOT_GIVEN),
    Column("variable", "string", "what was measured, in data/variables.csv"),
    Column(
        "value", "number", "in the variable's unit; the limit where sign is < or >", "", "of the variable"
    ),
    Column(
        "sign",
        "string",
        "< below the kit's limit, > above it",
        "measured: the value is a number",
        "",
        ("<", ">"),
    ),
    Column("replicate", "integer", "number of the test where several were made at once, from 1"),
    Column("kit", "string", "what it was measured with", _NOT_GIVEN),
    *_WHERE,
    Column("raw_value", "string", "the value as written", _NOT_GIVEN),
    Column("raw_unit", "string", "the unit as written", _NOT_GIVEN),
    *_FILE,
)
_FROM_FILES = Reference(("entry",), "files", ("entry",))
_OF_TANK = Reference(("tank",), "tanks", ("tank",))
_OF_VARIABLE = Reference(("variable",), "variables", ("variable",))
_READING = Column("reading", "integer", "number of the reading in the register")
_READING_COLUMNS = (_READING, Column("tank", "string", "the tank"), *_MEASURED)

TANKS = Table(
    "tanks",
    "data/tanks.csv",
    "Tanks, the units of the experiment",
    (
        Column("tank", "string", "its name"),
        Column("site", "string", "where it stands", _NOT_GIVEN),
        Column("block", "string", "the tanks that it was matched with", "tanks are not in blocks"),
        Column("volume_L", "number", "water volume", _NOT_GIVEN, "L"),
        Column("note", "string", "note of the protocol", _NOT_GIVEN),
    ),
    ("tank",),
)
ARMS = Table(
    "arms",
    "data/arms.csv",
    "Arms, the treatments compared",
    (
        Column("arm", "string", "its name"),
        Column("role", "string", "control, reference or test"),
        Column("title", "string", "in words"),
        Column("carbon_source", "string", "source of carbon", "no carbon is dosed"),
        Column("full_dose", "string", "full dose, in words", "no dose is named"),
    ),
    ("arm",),
)
ALLOCATION = Table(
    "allocation",
    "data/allocation.csv",
    "Which tank had which arm",
    (
        Column("tank", "string", "the tank"),
        Column("period", "integer", "period of a crossover, from 1; 1 in every other design"),
        Column("arm", "string", "the arm"),
    ),
    ("tank", "period"),
    (_OF_TANK, Reference(("arm",), "arms", ("arm",))),
)
VARIABLES = Table(
    "variables",
    "data/variables.csv",
    "Data dictionary: what was measured, in which unit",
    (
        Column("variable", "string", "its name"),
        Column("title", "string", "in words"),
        Column("unit", "string", "unit of its values, as printed"),
        Column("ucum", "string", "the unit as a UCUM code", "the unit has no UCUM code that is known here"),
        Column("form", "string", "what exactly is counted", "there is no choice"),
        Column("hard_low", "number", "least possible value", "", "of the variable"),
        Column("hard_high", "number", "greatest possible value", "", "of the variable"),
        Column("soft_low", "number", "least usual value", "no usual range is given", "of the variable"),
        Column("soft_high", "number", "greatest usual value", "no usual range is given", "of the variable"),
        Column("resolution", "number", "step of a usual field device", "not known", "of the variable"),
        Column("zero_is_below_limit", "boolean", "whether a reading of 0 means: below the kit's limit"),
        Column("source", "string", "where conversions and bounds come from"),
    ),
    ("variable",),
)
ENDPOINTS = Table(
    "endpoints",
    "data/endpoints.csv",
    "Endpoints, the questions registered",
    (
        Column("endpoint", "string", "its name"),
        Column("role", "string", "primary, secondary or safety"),
        Column("title", "string", "in words", _NOT_GIVEN),
        Column("variable", "string", "variable measured"),
        Column("summary", "string", "how readings become one number a tank"),
        Column("phase", "string", "phase whose readings count"),
        Column("baseline", "string", "how the baseline phase enters"),
        Column("scale", "string", "difference or ratio"),
        Column("better", "string", "direction of improvement"),
        Column("worthwhile", "number", "worthwhile difference", "none registered", "of the endpoint's scale"),
        Column("target", "number", "value to be reached", "no time to target", "of the variable"),
    ),
    ("endpoint",),
    (_OF_VARIABLE,),
)
FILES = Table(
    "files",
    "data/files.csv",
    "Files of readings as they were sent",
    (
        _ENTRY,
        _AT,
        Column("name", "string", "name as sent", "left out: it may name a person"),
        Column("path", "string", "where it lies in this pack", "the file is not in this pack"),
        Column("sha256", "string", "SHA-256 of the file as sent"),
        Column("rows", "integer", "rows: accepted, held and repeated together"),
        Column("accepted", "integer", "rows accepted"),
        Column("held", "integer", "rows held back"),
        Column("repeated", "integer", "rows that were in already"),
    ),
    ("entry",),
)
ROWS = Table(
    "rows",
    "data/rows.csv",
    "Every row of every file, with what became of it",
    (
        *_FILE,
        Column("outcome", "string", "what became of it", "", "", tuple(RowOutcome)),
        Column("reasons", "string", "codes of why it was held, in data/reasons.csv", "not held"),
        Column("cells", "string", "its cells as sent, a JSON object by header; withheld ones are null"),
    ),
    ("entry", "sheet", "row"),
    (_FROM_FILES,),
)
HELD = Table(
    "held",
    "data/held.csv",
    "Held rows that still wait, one line a reason: they are in no number",
    (
        *_FILE,
        Column("number", "integer", "number of the reason, from 1"),
        Column("code", "string", "code of the reason"),
        Column("text", "string", "the reason, with what would mend it", "left out: it may quote free text"),
    ),
    ("entry", "sheet", "row", "number"),
    (_FROM_FILES, Reference(("code",), "reasons", ("code",))),
)
REASONS = Table(
    "reasons",
    "data/reasons.csv",
    "Why a row is held",
    (Column("code", "string", "the code"), Column("meaning", "string", "what it means")),
    ("code",),
)
READINGS = Table(
    "readings",
    "data/readings.csv",
    "Accepted readings, with corrections in force: what the results rest on",
    _READING_COLUMNS,
    ("reading",),
    (_OF_TANK, _OF_VARIABLE, _FROM_FILES),
)
SUPERSEDED = Table(
    "superseded",
    "data/superseded.csv",
    "Readings as they were taken in, where a correction changed or withdrew them",
    _READING_COLUMNS,
    ("reading",),
    (_OF_TANK, _OF_VARIABLE, _FROM_FILES),
)
CORRECTIONS = Table(
    "corrections",
    "data/corrections.csv",
    "Corrections of readings, in order; the last one of a reading is in force",
    (
        _ENTRY,
        _AT,
        _READING,
        Column("withdrawn", "boolean", "whether the reading is withdrawn"),
        Column("value", "number", "corrected value", "withdrawn", "of the variable"),
        Column("sign", "string", "< or >", "a number, or withdrawn", "", ("<", ">")),
        Column("raw_value", "string", "as typed", "withdrawn"),
        Column("raw_unit", "string", "as typed", _NOT_GIVEN),
        _BY,
        _WHY,
    ),
    ("entry",),
    (Reference(("reading",), "superseded", ("reading",)),),
)
DEVIATIONS = Table(
    "deviations",
    "data/deviations.csv",
    "What went otherwise with a tank: deviations, dropouts, rescues",
    (
        _ENTRY,
        _AT,
        Column("kind", "string", "deviation, dropout or rescue"),
        Column("tank", "string", "the tank"),
        Column("day", "date", "the day, or since when"),
        Column("treated_as", "string", "arm that it was in fact treated as", "as allocated"),
        Column("what", "string", "what happened", "left out: free texts are not in this pack"),
        _BY,
        _WHY,
    ),
    ("entry",),
    (_OF_TANK,),
)
AMENDMENTS = Table(
    "amendments",
    "data/amendments.csv",
    "Amendments of the protocol",
    (
        _ENTRY,
        _AT,
        Column("before", "string", "digest of the protocol before"),
        Column("after", "string", "digest of the protocol after, under protocol/"),
        Column("data_seen", "boolean", "whether readings or events had been taken in by then"),
        Column("primary_changed", "boolean", "whether the analysis of a primary endpoint is another one"),
        Column("changed", "string", "what was changed, in sentences"),
        _BY,
        _WHY,
    ),
    ("entry",),
)
EVENTS = Table(
    "events",
    "data/events.csv",
    "Husbandry: what was given, changed, lost or found in a tank, with corrections in force",
    (
        Column("event", "integer", "number of the event in the register"),
        Column("tank", "string", "the tank"),
        Column("at", "datetime", "when, as on the person's clock"),
        Column("utc_offset", "string", "offset of that clock from UTC", _NOT_GIVEN),
        Column("kind", "string", "what happened"),
        Column("amount", "number", "how much", "it has no amount", "as the column unit says"),
        Column("unit", "string", "unit of the amount: mL, g, L or 1 (a count)", "it has no amount"),
        *_WHERE,
        Column("raw_amount", "string", "the amount as written", _NOT_GIVEN),
        Column("raw_unit", "string", "the unit as written", _NOT_GIVEN),
        *_FILE,
    ),
    ("event",),
    (_OF_TANK, _FROM_FILES),
)
SUPERSEDED_EVENTS = Table(
    "superseded_events",
    "data/superseded_events.csv",
    "Events as they were taken in, where a correction changed or withdrew them",
    EVENTS.columns,
    EVENTS.key,
    EVENTS.references,
)
EVENT_CORRECTIONS = Table(
    "event_corrections",
    "data/event_corrections.csv",
    "Corrections of events, in order; the last one of an event is in force",
    (
        _ENTRY,
        _AT,
        Column("event", "integer", "number of the event in the register"),
        Column("withdrawn", "boolean", "whether the event is withdrawn"),
        Column("amount", "number", "corrected amount", "withdrawn", "as the column unit says"),
        Column("unit", "string", "unit of the amount", "withdrawn"),
        Column("raw_amount", "string", "as typed", "withdrawn"),
        Column("raw_unit", "string", "as typed", _NOT_GIVEN),
        _BY,
        _WHY,
    ),
    ("entry",),
    (Reference(("event",), "superseded_events", ("event",)),),
)
KIT_CORRECTIONS = Table(
    "kit_corrections",
    "data/kit_corrections.csv",
    "What an analysis beside the registered one puts readings of kits right by, in order; the last one of a kit, variable and "
    "site is in force. Readings stay as read: (reading - nitrite_factor x nitrite) x factor + offset stands beside",
    (
        _ENTRY,
        _AT,
        Column("kit", "string", "the kit, as readings name it"),
        Column("variable", "string", "what it measures, in data/variables.csv"),
        Column("site", "string", "where it holds", "wherever no correction of the site's own is in force"),
        Column("factor", "number", "readings are multiplied by it", "", "1"),
        Column("offset", "number", "added then", "", "of the variable"),
        Column("nitrite_factor", "number", "times the nitrite of tank and day is taken off first", "", "1"),
        _BY,
        _WHY,
    ),
    ("entry",),
    (_OF_VARIABLE,),
)
CHECKS = Table(
    "check_readings",
    "data/check_readings.csv",
    "Readings of check samples, which tell how kits and sites measure; no tank's water",
    (
        _READING,
        Column("site", "string", "who measured", _NOT_GIVEN),
        Column("sample", "string", "the check sample of the protocol"),
        *_MEASURED,
    ),
    ("reading",),
    (_OF_VARIABLE, _FROM_FILES),
)
PERSONS = Table(
    "persons",
    "data/persons.csv",
    "Who took part",
    (
        Column("person", "string", "code, or name with consent"),
        Column("named", "boolean", "whether the person agreed to be named"),
    ),
    ("person",),
)
_ARM_PAIR = (
    Reference(("endpoint",), "endpoints", ("endpoint",)),
    Reference(("test",), "arms", ("arm",)),
    Reference(("reference",), "arms", ("arm",)),
)
CONTRASTS = Table(
    "contrasts",
    "results/contrasts.csv",
    "Comparisons of arms: as registered, and other defensible ways beside it",
    (
        Column("endpoint", "string", "the endpoint"),
        Column("role", "string", "primary, secondary or safety"),
        Column("analysis", "string", "registered, or the name of the way beside it"),
        Column("test", "string", "arm compared"),
        Column("reference", "string", "arm compared against"),
        Column("scale", "string", "difference or ratio"),
        Column("unit", "string", "unit of the estimate"),
        Column("n", "integer", "pairs or tanks compared"),
        Column(
            "estimate",
            "number",
            "test minus reference, or test over reference",
            "it has none",
            "of the column unit",
        ),
        Column("se", "number", "standard error, of the logarithm on the ratio scale", "it has none"),
        Column("df", "number", "degrees of freedom", "it has none", "1"),
        Column("low", "number", "lower limit", "it has none", "of the column unit"),
        Column("high", "number", "upper limit", "it has none", "of the column unit"),
        Column("p", "number", "two-sided p", "it has none", "1"),
        Column("p_adjusted", "number", "p adjusted as registered", "not registered, or it has none", "1"),
        Column(
            "randomisation_p", "number", "p over the draws that could have been", "chance did not decide", "1"
        ),
        Column(
            "reading",
            "string",
            "read against the worthwhile difference",
            "no difference was called worthwhile",
        ),
    ),
    ("endpoint", "analysis", "test", "reference"),
    _ARM_PAIR,
)
TANK_RESULTS = Table(
    "tank_results",
    "results/tanks.csv",
    "The number of each tank that was compared",
    (
        Column("endpoint", "string", "the endpoint"),
        Column("tank", "string", "the tank"),
        Column("period", "integer", "period of a crossover, from 1; 1 in every other design"),
        Column("arm", "string", "its arm"),
        Column("value", "number", "summary of its readings", "too few readings", "of the variable"),
        Column(
            "lowest", "number", "least value that readings below a limit allow", "no value", "of the variable"
        ),
        Column("highest", "number", "greatest value that they allow", "no value", "of the variable"),
        Column(
            "baseline",
            "number",
            "baseline number",
            "no baseline is used, or too few readings",
            "of the variable",
        ),
        Column("y", "number", "number compared; its logarithm on the ratio scale", "no value"),
        Column("days", "integer", "sampling days with a reading in the phase"),
        Column("days_due", "integer", "sampling days due in the phase"),
        Column("readings", "integer", "readings used"),
        Column("censored", "integer", "of them beyond a kit's limit"),
    ),
    ("endpoint", "tank", "period"),
    (
        Reference(("endpoint",), "endpoints", ("endpoint",)),
        _OF_TANK,
        Reference(("arm",), "arms", ("arm",)),
    ),
)

TABLES = (
    READINGS,
    ALLOCATION,
    TANKS,
    ARMS,
    ENDPOINTS,
    VARIABLES,
    EVENTS,
    CHECKS,
    SUPERSEDED,
    CORRECTIONS,
    SUPERSEDED_EVENTS,
    EVENT_CORRECTIONS,
    KIT_CORRECTIONS,
    DEVIATIONS,
    AMENDMENTS,
    FILES,
    ROWS,
    HELD,
    REASONS,
    PERSONS,
    CONTRASTS,
    TANK_RESULTS,
)
"""All tables, as a reader would want to meet them."""

GATHERED = (READINGS, SUPERSEDED, EVENTS, SUPERSEDED_EVENTS, CHECKS, ROWS, HELD, PERSONS)
"""Tables that come out of the register; all others are made from what else is in the pack."""


def file_path(entry: int, name: str) -> str:
    """Where a file as sent lies: its own name may be anything, so only its ending is kept."""
    ending = PurePath(name).suffix.lower()
    return f"files/entry-{entry}{ending if re.fullmatch(r'[.][a-z0-9]{1,5}', ending) else ''}"
