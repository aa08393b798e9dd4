"""The questions that can be asked of a fleet, one declaration each.

Commands, `chart`, `export`, the README's table, completion and help are derived from these. Nothing is
imported until a question is asked: a place in the code is named as "module:name" and looked up when it is
needed. The tests look every place up and hold the options against the function's own parameters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import cached_property
from importlib import import_module
from typing import Any, Literal

from fleetlog.errors import UsageError

Kind = Literal["text", "whole", "number", "flag", "columns", "names", "numbers", "plan"]
"""What an option holds: one text, a whole number, a number, yes or no, columns with commas between them, a
text that may be repeated, numbers with commas between them, or the file of an earlier plan."""


@dataclass(frozen=True)
class Place:
    """A function or class in the code, looked up when it is needed."""

    name: str

    def load(self) -> Any:
        """What stands there."""
        module, _, attribute = self.name.partition(":")
        return getattr(import_module(module), attribute)


CHART_FILE = Place("fleetlog.charts.output:save")
"""Writes a picture to a file in the format that its ending names."""


@dataclass(frozen=True)
class Option:
    """Something that an asker may choose.

    Attributes:
        name: the function's parameter.
        help: one sentence for the command's help.
        flag: how the command spells it, without dashes; empty: like the parameter, with dashes.
        default: what holds where nothing is chosen.
        choices: the values there are; empty: any.
        minimum, maximum: limits of a number.
        metavar: what help calls the value.
        chart: the option of `fleetlog chart` that gives this one its value, if any.
        instead: another question that is asked where this option is given (a list: with several values).
    """

    name: str
    help: str
    kind: Kind = "text"
    flag: str = ""
    default: Any = None
    choices: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    metavar: str | None = None
    chart: Literal["", "component", "by", "months"] = ""
    instead: str = ""

    @property
    def spelled(self) -> str:
        """The option on the command line, without dashes."""
        return self.flag or self.name.replace("_", "-")

    def leads_away(self, value: Any) -> bool:
        """Whether this value makes the command ask `instead`."""
        if not self.instead:
            return False
        return len(value) > 1 if self.kind == "numbers" else value is not None and value is not False


@dataclass(frozen=True)
class Frame:
    """One of the tables of an answer.

    Attributes:
        name: the answer's attribute.
        flag: the switch of the command that prints it; empty for the usual one.
        help: what the switch does.
        whole: the attribute that CSV holds in its place, where the screen shows less of it.
        beneath: columns that stand as sentences beneath the table on a screen.
        export: under what name `fleetlog export` writes it.
        export_options: the question's options for that, where they are not its defaults.
    """

    name: str
    flag: str = ""
    help: str = ""
    whole: str = ""
    beneath: tuple[str, ...] = ()
    export: str = ""
    export_options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Chart:
    """One picture of an answer.

    Attributes:
        name: as typed after `fleetlog chart`.
        draw: a function of the answer with the keywords `width` (pixels) and `words` (stored value -> spoken
            words).
        description: one line for the list of pictures.
        options: the question's options for this picture, where they are not its defaults.
    """

    name: str
    draw: Place
    description: str
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Question:
    """One question: where it is answered, what an asker may choose, which tables and pictures the answer has.

    Attributes:
        name: the command, or, for a question asked by an option of another, its name in Python.
        ask: a function of a fleet, a scope and the options that gives a `fleetlog.session.finding.Finding`.
        summary: one sentence that says what it answers.
        example: a call of the command; empty for a question that is no command of its own.
        options, frames, charts: see there; the first frame and the first chart are the usual ones.
        methods: topics of `fleetlog explain` that say how it is computed.
        filters: whether it can be asked of a part of the fleet.
        machine: whether it is about one machine, named as the command's argument.
        text: a function that tells the answer on a screen, where a table does not do.
        files: ending of a file -> a function that gives the answer as that file's text, beside the usual endings.
    """

    name: str
    ask: Place
    summary: str
    example: str = ""
    options: tuple[Option, ...] = ()
    frames: tuple[Frame, ...] = (Frame("frame"),)
    charts: tuple[Chart, ...] = ()
    methods: tuple[str, ...] = ()
    filters: bool = True
    machine: bool = False
    text: Place | None = None
    files: Mapping[str, Place] = field(default_factory=dict)

    @cached_property
    def by_name(self) -> Mapping[str, Option]:
        """The options by their parameter."""
        return {option.name: option for option in self.options}

    def chart(self, name: str | None = None) -> Chart:
        """A picture of the answer; None: the usual one.

        Raises:
            UsageError: there is none of that name.
        """
        for chart in self.charts:
            if name is None or chart.name == name:
                return chart
        names = [chart.name for chart in self.charts]
        raise UsageError(f"{self.name} has no chart {name!r}; {proposal(name or '', names)}")


def proposal(name: str, known: Mapping[str, Any] | list[str] | tuple[str, ...]) -> str:
    """The nearest known name as a question, and all of them unless they are many: how a refusal of `name` ends."""
    near = get_close_matches(name, list(known), n=1)
    if not near:
        return f"take one of {', '.join(known)}."
    return f"did you mean {near[0]!r}?" + (f" Known: {', '.join(known)}." if len(known) <= _FEW else "")


_FEW = 12


def question(name: str) -> Question:
    """The question of that name.

    Raises:
        UsageError: there is none; the nearest is proposed.
    """
    if name not in QUESTIONS:
        raise UsageError(f"There is no question {name!r}; {proposal(name, list(QUESTIONS))}")
    return QUESTIONS[name]


def charts() -> dict[str, tuple[Question, Chart]]:
    """Every picture by name, with the question whose answer it shows."""
    return {chart.name: (one, chart) for one in QUESTIONS.values() for chart in one.charts}


def exports() -> dict[str, tuple[Question, Frame]]:
    """Every table of an answer that `fleetlog export` writes, by the name it is asked for."""
    return {frame.export: (one, frame) for one in QUESTIONS.values() for frame in one.frames if frame.export}


_COMPONENT = Option(
    "component",
    "The part whose lives are followed; default: the one the fault family is about.",
    chart="component",
)
_CAUSE = Option("cause", "Only this finding counts as failure, e.g. worn; default: any failure.")
_BY = Option("by", "Columns to split by, e.g. variant,side.", "columns", metavar="COLUMNS", chart="by")
_ENDINGS = Option(
    "endings",
    "Lives that may have ended by failure count by the chance of their case (believed), or by findings alone "
    "(recorded).",
    default="believed",
    choices=("believed", "recorded"),
)
_STRATA = Option(
    "strata", "Columns within whose values alone the groups are compared.", "columns", metavar="COLUMNS"
)
_TEST = Option(
    "test",
    "Test between the groups: log-rank, or one that gives early failures more weight "
    "(gehan, tarone-ware, peto-peto, modified-peto).",
    default="log-rank",
    choices=("log-rank", "gehan", "tarone-ware", "peto-peto", "modified-peto"),
)
_DRAWS = Option("draws", "Draws of the bootstrap over machines.", "whole", default=200, minimum=1)
_SEED = Option("seed", "Seed; same seed, same numbers.", "whole", default=20_260_101)
_ONE_COMPONENT = Option("component", "Only this component; default: all.", chart="component")
_CURVE = Frame("frame", "curve", "Print the curve's steps instead of one row a group.")

_ALL = (
    Question(
        "survival",
        Place("fleetlog.lives.survival:survival"),
        "How long parts live, by running hours.",
        "fleetlog survival --by variant",
        options=(
            _COMPONENT,
            _CAUSE,
            _BY,
            Option(
                "interval",
                "Scale on which the interval is taken: log-log, log, plain.",
                default="log-log",
                choices=("log-log", "log", "plain"),
            ),
            _TEST,
            replace(
                _STRATA,
                help=f"{_STRATA.help[:-1]}; default: the part's design between build years, else none.",
            ),
            _ENDINGS,
        ),
        frames=(
            Frame("summary", beneath=("note",)),
            replace(_CURVE, export="survival", export_options={"by": ("variant",)}),
        ),
        charts=(
            Chart(
                "survival",
                Place("fleetlog.charts.survival:survival_chart"),
                "how long parts last, by age, with numbers at risk",
            ),
            Chart(
                "probability",
                Place("fleetlog.charts.weibull:probability_chart"),
                "failures on Weibull paper, with the fitted lives",
            ),
            Chart(
                "hazard",
                Place("fleetlog.charts.lives:hazard_chart"),
                "how the risk moves with age, with the fitted lives",
            ),
        ),
        methods=("survival", "cumulative-hazard", "delayed-entry", "weibull", "few-failures", "log-rank"),
    ),
    Question(
        "incidence",
        Place("fleetlog.lives.incidence:incidence"),
        "In what ways lives end: the share failed, replaced while sound or removed, by running hours.",
        "fleetlog incidence --by variant",
        options=(_COMPONENT, _BY),
        frames=(
            Frame("summary", beneath=("note",)),
            replace(_CURVE, export="incidence", export_options={"by": ("variant",)}),
        ),
        charts=(
            Chart(
                "incidence",
                Place("fleetlog.charts.incidence:incidence_chart"),
                "in what ways parts' lives end, by age",
            ),
        ),
        methods=("competing-causes",),
    ),
    Question(
        "compare",
        Place("fleetlog.lives.comparison:compare"),
        "Which groups fail more than their ages let expect, small groups judged with care.",
        "fleetlog compare --by build_year",
        options=(
            _COMPONENT,
            _CAUSE,
            Option(
                "by",
                "The column that makes the groups, e.g. site.",
                default="build_year",
                metavar="COLUMN",
                chart="by",
            ),
            replace(_STRATA, help=f"{_STRATA.help[:-1]}; default: the part's design, '' for none."),
            _TEST,
            _ENDINGS,
        ),
        frames=(Frame("groups", export="comparison"),),
        charts=(
            Chart(
                "comparison",
                Place("fleetlog.charts.comparisons:comparison_chart"),
                "failures of each group against what is expected of it",
            ),
        ),
        methods=("small-groups", "log-rank"),
    ),
    Question(
        "drivers",
        Place("fleetlog.lives.drivers:drivers"),
        "What multiplies the risk, all else alike: hazard ratios with machine-robust intervals.",
        "fleetlog drivers --factors site,side --strata variant",
        options=(
            _COMPONENT,
            Option(
                "factors",
                "Columns to explain the hazard by.",
                "columns",
                default=("variant", "site"),
                metavar="COLUMNS",
                chart="by",
            ),
            Option(
                "strata",
                "Columns whose values get a baseline hazard of their own instead of a ratio.",
                "columns",
                metavar="COLUMNS",
            ),
            Option(
                "clock",
                "lives: age of the part; or for recurrences of the fault total: hours of the machine, "
                "ordered: the same with a baseline for the first, second, …, gap: hours since the last one.",
                default="lives",
                choices=("lives", "total", "ordered", "gap"),
            ),
            Option(
                "ties",
                "Failures at the same age by efron or breslow.",
                default="efron",
                choices=("efron", "breslow"),
            ),
            _ENDINGS,
            Option(
                "scale",
                "hazard: what multiplies the risk at each age; time: what multiplies the life.",
                default="hazard",
                choices=("hazard", "time"),
            ),
        ),
        frames=(
            Frame("levels", export="drivers"),
            Frame("terms", "tests", "Print the tests of each factor instead of the hazard ratios."),
        ),
        charts=(
            Chart(
                "drivers",
                Place("fleetlog.charts.comparisons:drivers_chart"),
                "what makes failures more or less frequent",
            ),
        ),
        methods=("cox", "life-regression", "repeat-models"),
    ),
    Question(
        "design-changes",
        Place("fleetlog.lives.design_change:design_changes"),
        "From which month of build on the newer design of a part was built in, make by make, or that it cannot "
        "be told.",
        "fleetlog design-changes",
        options=(
            replace(_ONE_COMPONENT, help="Only this component; default: all that the fault family follows."),
            Option("make", "Only machines of this make; default: each make, and all together."),
            _SEED,
        ),
        frames=(Frame("changes", beneath=("note",), export="design-changes"),),
        charts=(
            Chart(
                "design-changes",
                Place("fleetlog.charts.design_change:design_change_chart"),
                "how likely each month of build is to be the first of a newer design",
            ),
        ),
        methods=("design-changes", "weibull"),
    ),
    Question(
        "repeats",
        Place("fleetlog.lives.repeats:repeats"),
        "Which repairs hold, and which units come back more than their peers.",
        "fleetlog repeats --site Brindle",
        options=(
            Option(
                "window_hours",
                "Running hours in which a return counts; default: the family's.",
                "number",
                flag="window",
                minimum=1,
            ),
            Option("component", "Only repairs of this component.", chart="component"),
            Option(
                "by",
                "Compare the machines' episodes by this column instead: site, build_year, make, model or "
                "machine_type.",
                default="",
                metavar="COLUMN",
            ),
        ),
        frames=(
            Frame("summary"),
            Frame(
                "units", "units", "Print the units above their peers instead of the repairs.", export="units"
            ),
            Frame("by_action", export="repeats"),
        ),
        charts=(
            Chart(
                "comebacks",
                Place("fleetlog.charts.repeats:comeback_chart"),
                "how often the fault came back after each kind of repair",
            ),
            Chart(
                "mean-cumulative",
                Place("fleetlog.charts.repeats:mean_cumulative_chart"),
                "faults per machine by its running hours",
            ),
        ),
        methods=("mean-cumulative-count", "comeback-rate"),
    ),
    Question(
        "trend",
        Place("fleetlog.lives.trend:trend"),
        "Whether the fault comes ever faster or more slowly as machines run, fleet and machine by machine.",
        "fleetlog trend --by generation --groups",
        options=(
            Option(
                "by",
                "Groups of machines to test one by one: generation, build_year, site, make, model, machine_type.",
                metavar="COLUMN",
            ),
        ),
        frames=(
            Frame("summary"),
            Frame("groups", "groups", "Print the groups instead of the fleet's tests."),
            Frame(
                "units", "units", "Print the single machines instead of the fleet's tests.", export="trend"
            ),
        ),
        charts=(
            Chart(
                "trend",
                Place("fleetlog.charts.comparisons:trend_chart"),
                "machines whose faults come ever faster, or ever more rarely",
            ),
        ),
        methods=("trend",),
    ),
    Question(
        "suspects",
        Place("fleetlog.causes.suspects:suspects"),
        "Open and doubtful cases: which cause, how sure, why, what to do next.",
        "fleetlog suspects --site Brindle --format json",
        frames=(Frame("summary", whole="frame", export="suspects"),),
        charts=(
            Chart(
                "suspects",
                Place("fleetlog.charts.suspects:suspects_chart"),
                "how likely each cause is, a bar a case",
            ),
            Chart(
                "reasons",
                Place("fleetlog.charts.suspects:first_case_chart"),
                "what speaks for and against the cause of one case",
            ),
        ),
        methods=("suspects", "confirmation", "costs"),
    ),
    Question(
        "holds",
        Place("fleetlog.causes.suspects:holds"),
        "Machines to keep from use and rental until a qualified person has checked them, and which to call back.",
        "fleetlog holds",
        frames=(Frame("summary", whole="frame", export="holds"),),
        methods=("suspects",),
    ),
    Question(
        "unit",
        Place("fleetlog.causes.unit:unit"),
        "One machine's whole story.",
        "fleetlog unit 37",
        frames=(Frame("frame", whole="held_frame"),),
        charts=(
            Chart(
                "unit",
                Place("fleetlog.charts.unit:unit_chart"),
                "one machine's faults, repairs and readings, and how likely a fault stood, over its running hours",
            ),
        ),
        methods=("suspects", "running-hours", "episodes"),
        filters=False,
        machine=True,
        text=Place("fleetlog.cli.story:machine_story"),
    ),
    Question(
        "forecast",
        Place("fleetlog.planning.forecast:forecast"),
        "Failures, parts and shop hours expected over the coming months, with ranges.",
        "fleetlog forecast --months 6",
        options=(
            Option(
                "months",
                "How many months ahead.",
                "whole",
                default=12,
                minimum=1,
                maximum=60,
                chart="months",
            ),
            _ONE_COMPONENT,
            Option(
                "check",
                "Print how past forecasts did against what came instead.",
                "flag",
                default=False,
                instead="forecast-check",
            ),
            _DRAWS,
            _SEED,
        ),
        frames=(
            Frame("frame", export="forecast"),
            Frame("totals", "totals", "Print the whole stretch instead of single months."),
        ),
        charts=(
            Chart(
                "forecast",
                Place("fleetlog.charts.planning:forecast_chart"),
                "failures expected month by month, with ranges",
            ),
        ),
        methods=("forecast",),
    ),
    Question(
        "forecast-check",
        Place("fleetlog.planning.forecast_check:check_forecasts"),
        "How past forecasts did against what came.",
        options=(
            Option("forecasts", "How many past forecasts.", "whole", default=24, minimum=1, chart="months"),
            Option("draws", _DRAWS.help, "whole", default=100, minimum=1),
            _SEED,
        ),
        frames=(Frame("shown", whole="frame"),),
        charts=(
            Chart(
                "forecast-check",
                Place("fleetlog.charts.planning:forecast_check_chart"),
                "what past forecasts promised and what came",
            ),
        ),
        methods=("forecast",),
    ),
    Question(
        "replacement",
        Place("fleetlog.planning.replacement:replacement"),
        "From what age a part is better replaced ahead, what that saves, or why waiting is better.",
        "fleetlog replacement",
        options=(
            Option(
                "component",
                "Only this component; default: all that are followed.",
            ),
            _DRAWS,
            _SEED,
        ),
        frames=(Frame("summary", whole="frame", export="replacement"),),
        charts=(
            Chart(
                "replacement",
                Place("fleetlog.charts.planning:replacement_chart"),
                "what replacing ahead saves, by age",
            ),
        ),
        methods=("replacement",),
    ),
    Question(
        "plan",
        Place("fleetlog.planning.plan:plan"),
        "Which preventive repairs to do in which week, within the shop's hours.",
        "fleetlog plan --weeks 12 --shop-hours 60",
        options=(
            Option("weeks", "How many ISO weeks ahead.", "whole", default=26, minimum=1, maximum=104),
            Option(
                "shop_hours",
                "Weekly labour hours instead of the setting; several, e.g. 40,60,80, are compared.",
                "numbers",
                metavar="HOURS",
                minimum=0,
                instead="shop-hours",
            ),
            Option(
                "policies",
                "Compare policies over the coming year instead: all, or names with commas.",
                "columns",
                flag="policy",
                metavar="NAMES",
                instead="policies",
            ),
            Option(
                "previous",
                "The last plan as CSV: a job moves only for a good reason.",
                "plan",
                metavar="FILE",
            ),
            Option("must", "A machine that must have a visit; may be repeated.", "names"),
            _DRAWS,
            _SEED,
        ),
        frames=(
            Frame("summary", whole="frame", export="plan"),
            Frame(
                "parts", "parts", "Print the parts to order for it, with the days.", export="parts-to-order"
            ),
        ),
        files={".ics": Place("fleetlog.reporting.calendar:plan_calendar")},
        charts=(
            Chart(
                "plan",
                Place("fleetlog.charts.planning:plan_chart"),
                "the shop's weeks with the visits planned",
            ),
        ),
        methods=("plan", "policies"),
    ),
    Question(
        "shop-hours",
        Place("fleetlog.planning.plan_hours:compare_shop_hours"),
        "What the plan saves with fewer or more shop hours.",
        options=(
            Option("shop_hours", "Weekly labour hours to compare.", "numbers", minimum=0),
            Option("weeks", "How many ISO weeks ahead.", "whole", default=26, minimum=1, maximum=104),
            _DRAWS,
            _SEED,
        ),
        charts=(
            Chart(
                "shop-hours",
                Place("fleetlog.charts.planning:shop_hours_chart"),
                "what the plan saves with more shop hours",
            ),
        ),
        methods=("plan",),
    ),
    Question(
        "policies",
        Place("fleetlog.planning.policies:compare_policies"),
        "What waiting, custom and planning cost over the coming year.",
        options=(
            Option("policies", "Which policies; default: all.", "columns"),
            _DRAWS,
            _SEED,
        ),
        charts=(
            Chart(
                "policies",
                Place("fleetlog.charts.planning:policies_chart"),
                "what waiting, swapping and planning cost",
            ),
        ),
        methods=("policies",),
    ),
    Question(
        "money",
        Place("fleetlog.planning.money:money"),
        "What the fault cost, what of it went into sound parts, and what the plan costs, avoids and saves.",
        "fleetlog money --in-vain",
        options=(
            Option(
                "months",
                "How many months back, up to the as-of day, count as spent.",
                "whole",
                default=12,
                minimum=1,
                maximum=120,
                chart="months",
            ),
            Option(
                "weeks", "How many ISO weeks the plan reaches.", "whole", default=26, minimum=1, maximum=104
            ),
            _DRAWS,
            _SEED,
        ),
        frames=(
            Frame("frame", export="money"),
            Frame(
                "in_vain",
                "in-vain",
                "Print the parts replaced, by site, and how many of them were sound.",
                export="in-vain",
            ),
            Frame("spent", "spent", "Print what was spent, by kind of work.", export="spent"),
            Frame("payback", "payback", "Print month by month what the plan avoids."),
        ),
        charts=(
            Chart(
                "payback",
                Place("fleetlog.charts.planning:payback_chart"),
                "when the plan is paid back by the breakdowns it avoids",
            ),
        ),
        methods=("costs", "plan"),
    ),
    Question(
        "figures",
        Place("fleetlog.lives.fleet_figures:fleet_figures"),
        "Operating time between failures, time to restoration, availability, maintenance cost, with "
        "intervals.",
        "fleetlog figures --by site",
        options=(
            Option(
                "by",
                "Columns to split by, e.g. site,build_year.",
                "columns",
                metavar="COLUMNS",
            ),
            Option("days", "Length of the stretch that counts.", "whole", default=365, minimum=1),
            _SEED,
        ),
        frames=(Frame("frame", export="figures"),),
        charts=(
            Chart(
                "figures",
                Place("fleetlog.charts.planning:fleet_figures_chart"),
                "failures, restoration and availability by site",
                {"by": ("site",)},
            ),
        ),
        methods=("fleet-figures",),
    ),
    Question(
        "backtest",
        Place("fleetlog.causes.backtest:backtest"),
        "How good past suspicions were, month by month, beside simpler ways of judging.",
        "fleetlog backtest --months 12",
        options=(
            Option(
                "months",
                "How many month-ends to look back from.",
                "whole",
                default=24,
                minimum=1,
                maximum=120,
                chart="months",
            ),
        ),
        frames=(
            Frame("frame", export="backtest"),
            Frame("calibration", "calibration", "Print how often it was right by how sure it was."),
        ),
        charts=(
            Chart(
                "calibration",
                Place("fleetlog.charts.calibration:calibration_chart"),
                "how often past suspicions were right",
            ),
        ),
        methods=("confirmation",),
    ),
    Question(
        "status",
        Place("fleetlog.session.status:status"),
        "What the store holds, over which time, how complete and how clean.",
        "fleetlog status --format json",
        frames=(Frame("frame", export="status"),),
        charts=(
            Chart(
                "fleet-age",
                Place("fleetlog.charts.fleet:fleet_age_chart"),
                "machines by build year",
            ),
        ),
        methods=("data-quality",),
        filters=False,
        text=Place("fleetlog.cli.story:store_contents"),
    ),
)

QUESTIONS: Mapping[str, Question] = {one.name: one for one in _ALL}
"""Every question by name, in the order in which a reader meets them."""
