"""What can be asked of an invented fleet: how it strays from assumptions, how it is recorded, what it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from fleetlog.errors import UsageError
from fleetlog.faults import DesignChange
from fleetlog.simulation.files import FileForm, Window
from fleetlog.simulation.routine import ROUTINE, RoutineWork
from fleetlog.simulation.wording import Phrases


@dataclass(frozen=True)
class Disorder:
    """In what the invented world differs from what the analysis assumes.

    Attributes:
        comeback_shape: Weibull shape of the time until an uncured fault is back; 1 is the exponential.
        mislabelled: share of findings on parts taken out that are written down the wrong way round, over and
            above what the family's tables allow for.
        unrecorded: share of steps taken that nobody wrote down.
        mixed_modes: share of episodes whose codes draw a failure mode of their own, not the case's.
        repeats: share of its chance to cure that a step has left when it is tried again.
    """

    comeback_shape: float = 1.0
    mislabelled: float = 0.0
    unrecorded: float = 0.0
    mixed_modes: float = 0.0
    repeats: float = 0.0


ORDER = Disorder()


@dataclass(frozen=True)
class RecordKeeping:
    """How the fleet is recorded; the world is the same whatever it says.

    Attributes:
        mess: share of records that are untidy.
        mishaps: which mishaps of `untidy` may befall them; none named is all.
        spared: machines whose records are never untidy.
        routine: whether services and codes that have nothing to do with the fault are written too.
        work: what that routine work is.
        form: what the files are written as.
        window: the stretch of time whose records are written. Two windows that meet give together what one
            window over both gives: what is recorded late stands in the later one, and so does a machine
            that is sold there.
    """

    mess: float = 0.0
    mishaps: frozenset[str] = frozenset()
    spared: tuple[str, ...] = ()
    routine: bool = False
    work: RoutineWork = ROUTINE
    form: FileForm = FileForm.CSV
    window: Window = field(default_factory=Window)


TIDY_RECORDS = RecordKeeping()


@dataclass(frozen=True)
class Make:
    """A maker of machines.

    Attributes:
        name: of the maker.
        share: of the fleet's machines.
        models: model and machine type, each as common as the others.
        codes: side -> SPN (0: the machine sends text alone) and text code ("": none).
        serials: how its serial numbers begin; they rise with the build date.
    """

    name: str
    share: float
    models: tuple[tuple[str, str], ...]
    codes: Mapping[str, tuple[int, str]]
    serials: str


@dataclass(frozen=True)
class Habit:
    """A site that opens pumps sooner than custom has it.

    Attributes:
        site, since: where, and from which day on.
        at_once, next_time: chance to open the pump at the first visit of a case, and at a later one, when the
            part inside is past half of its characteristic life.
    """

    site: str
    since: date
    at_once: float
    next_time: float


@dataclass(frozen=True)
class Facts:
    """What is set about a machine, not drawn; no fault befalls it by chance.

    Attributes:
        built, pump_built, acquired: days.
        make, model, site: of the plan's.
        hours: on the last day of the records.
        yearly_hours: that it runs meanwhile.
    """

    built: date
    pump_built: date
    acquired: date
    make: str
    model: str
    site: str
    hours: float
    yearly_hours: float


@dataclass(frozen=True)
class FleetPlan:
    """What the invented fleet is made of; left out, machines are alike, run steadily, and have no make.

    Attributes:
        names: of the machines, as many as there are; none names them by number.
        sites: where they stand; one named twice has twice as many.
        built_years: years before the records begin, and before they end, between which machines are built.
        makes: who made them; with makes, the files tell makes, models, serial numbers, variants and costs too.
        changes: when which maker went over to another variant of a part, in all of its models; a make without
            a change kept the oldest one.
        manual: share of machines with manual control: they cannot have the fault.
        season: use by calendar month; with it machines run only while they are rented out.
        day_rates: by machine type, for a short rental.
        custom: chance that a shop takes the next step by custom, not one of the later ones.
        habits: sites that open pumps early.
        both_sides: chance that a pump opened for a part that wears gets a new one on its other side as well.
        labour_rate: money for one labour hour.
        phrases: how complaints, causes and corrections are worded.
        facts: machine -> what is set about it.
    """

    names: tuple[str, ...] = ()
    sites: tuple[str, ...] = ("Ashgrove", "Birch Lane", "Cold Spring", "Dunmore")
    built_years: tuple[float, float] = (7.0, 0.5)
    makes: tuple[Make, ...] = ()
    changes: tuple[DesignChange, ...] = (
        DesignChange(
            "internal_bushing", "improved", built_from=date(2017, 12, 1)
        ),  # common practice, no source
    )
    manual: float = 0.0
    season: Sequence[float] = ()
    day_rates: Mapping[str, float] = field(default_factory=dict)
    custom: float = 0.65
    habits: tuple[Habit, ...] = ()
    both_sides: float = 0.0
    labour_rate: float = 95.0
    phrases: Phrases | None = None
    facts: Mapping[str, Facts] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuses a change of one model alone, which no invented machine would know of."""
        if any(change.model for change in self.changes):
            raise UsageError("An invented maker changes a part in all of its models; leave the model out.")


PLAIN = FleetPlan()


def check(
    machines: int, years: float, reading_days: float, disorder: Disorder, record_keeping: RecordKeeping
) -> None:
    """Refuses numbers that make no fleet.

    Raises:
        UsageError: for any such number.
    """
    if machines < 1 or not 0 < years <= 40 or reading_days <= 0:
        raise UsageError(
            "An invented fleet needs at least one machine, 0 to 40 years and some days per reading."
        )
    if not 0.1 <= disorder.comeback_shape <= 10:
        raise UsageError(f"comeback_shape must lie between 0.1 and 10, not {disorder.comeback_shape:g}.")
    shares = {
        "mislabelled": disorder.mislabelled,
        "unrecorded": disorder.unrecorded,
        "mixed_modes": disorder.mixed_modes,
        "repeats": disorder.repeats,
        "mess": record_keeping.mess,
    }
    for name, share in shares.items():
        if not 0 <= share <= 1:
            raise UsageError(f"{name} is a share: it must lie between 0 and 1, not {share:g}.")
    first, last = record_keeping.window.first, record_keeping.window.last
    if first is not None and last is not None and last < first:
        raise UsageError(f"From {first} to {last} there is no day; the second must not lie before the first.")
