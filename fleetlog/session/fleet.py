"""A fleet: an open store with its settings and fault families, and the history as of a day."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history import History, build_history, first_day, last_day, refresh_history
from fleetlog.questions import proposal
from fleetlog.session.scope import Scope
from fleetlog.settings import Settings, families_for, load_settings, settings_beside
from fleetlog.store import Store, open_store
from fleetlog.store.derived import DerivedSchema

if TYPE_CHECKING:  # who only asks need not wait for what loads
    from fleetlog.intake import LoadResult, PlainSettings, ProgressCallback
    from fleetlog.intake.profiles.profile import Profile
    from fleetlog.intake.undo import Undone

Made = TypeVar("Made")

_END_OF_CALENDAR = 9000
"""From this year on there is not room enough after a day for what is worked out from it."""

WORDING_FILE = "wording.toml"
"""A fleet's own workshop words, beside its store."""


@dataclass
class Fleet:
    """What findings are asked of. Make one with `open_fleet`.

    Attributes:
        store: the open store.
        settings: costs, windows and zone in force.
        families: name -> fault family, with the fleet's own figures applied.
    """

    store: Store
    settings: Settings
    families: Mapping[str, FaultFamily]
    _history: History | None = field(default=None, repr=False)
    _asked: date | None = field(default=None, repr=False)
    _begun: History | None = field(default=None, repr=False)
    _made: tuple[History, str, Any] | None = field(default=None, repr=False)
    _load_id: int | None = field(default=None, repr=False)

    def __enter__(self) -> Fleet:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.discard()

    def close(self) -> None:
        """Lets the store go; what was written becomes visible to others, all at once.

        Raises:
            StoreError: when that fails; the store is as it was then.
        """
        self.store.close()

    def discard(self) -> None:
        """Lets the store go and drops what was written since it was opened."""
        self.store.discard()

    def history(self, as_of: date | None = None) -> History:
        """The history as of a day (None: the last day on record), kept until another is asked.

        Raises:
            UsageError: for a day so far that the calendar ends after it.
        """
        if as_of is not None and as_of.year >= _END_OF_CALENDAR:
            raise UsageError(f"{as_of} is no day that a record could reach; ask about an earlier one.")
        if self._history is None or (as_of != self._asked and as_of != self._history.as_of):
            self._history = build_history(self.store, self.families, self.settings, as_of)
            self._asked = as_of
        return self._history

    def once(self, name: str, history: History, make: Callable[[], Made]) -> Made:
        """What `make` gives of a history: made once, kept until something else, or another history, is asked."""
        if self._made is None or self._made[0] is not history or self._made[1] != name:
            self._made = (history, name, make())
        made: Made = self._made[2]
        return made

    def load(
        self,
        paths: Sequence[Path],
        *,
        kind: str | None = None,
        profiles: Sequence[Profile] = (),
        date_order: str | None = None,
        machine: str | None = None,
        machine_from: str | None = None,
        check_only: bool = False,
        newest: bool = False,
        settle: bool = True,
        progress: ProgressCallback | None = None,
    ) -> LoadResult:
        """Loads files and folders into the store, and reads the free text that came with them.

        Arguments and errors are those of `fleetlog.intake.load_paths`; besides

        Args:
            settle: False leaves free text and history to `settle`; all that is loaded until then is one load.
        """
        from fleetlog.intake import load_paths

        result = load_paths(
            self.store,
            paths,
            settings=intake_settings(self.settings),
            kind=kind,
            profiles=profiles,
            date_order=date_order,
            machine=machine,
            machine_from=machine_from,
            check_only=check_only,
            newest=newest,
            load_id=self._load_id,
            progress=progress,
        )
        self._history = None
        if not check_only:
            self._load_id = result.load_id
            if settle:
                self.settle()
        return result

    def settle(self) -> None:
        """Reads the free text that came in, and brings the history up to date."""
        self._load_id = None
        self._read_texts()
        self.keep_history()

    def undo(self, load_id: int) -> Undone:
        """Takes a load back out of the store: its rows, its corrections, and what was read from its texts.

        Arguments and errors are those of `fleetlog.intake.undo.undo_load`.
        """
        from fleetlog.intake.undo import undo_load

        undone = undo_load(self.store, load_id)
        self._read_texts(again=True)
        self._history = None
        if self.store.path is not None:
            if self.has_records():
                self.refresh_history(rebuild=True)
            else:
                DerivedSchema(self.store, materialised=True).clear()
        return undone

    def keep_history(self) -> None:
        """Brings what the store keeps of its history up to date, where it has a file and records."""
        if self.store.path is not None and self.has_records():
            self.refresh_history()

    def refresh_history(
        self, *, rebuild: bool = False, progress: Callable[[int, int], None] | None = None
    ) -> History:
        """Brings the history that the store keeps up to date, so that questions need not build it.

        Args:
            rebuild: build all machines again, whatever is kept.
            progress: hears how many of how many machines are done.

        Raises:
            UsageError: when nothing is on record.
        """
        self._history = refresh_history(
            self.store, self.families, self.settings, rebuild=rebuild, progress=progress
        )
        self._asked = None
        return self._history

    def has_records(self) -> bool:
        """Whether anything is on record that a history could be made of."""
        return self.store.run("history/last_record")["last_at"][0] is not None

    def _read_texts(self, *, again: bool = False) -> None:
        """Reads the free text that came in; `again`: all of it."""
        from fleetlog.intake.suggestions import refresh_suggestions
        from fleetlog.wording import load_dictionary

        refresh_suggestions(self.store, load_dictionary(self._own_wording()), all_texts=again)

    def _own_wording(self) -> list[Path]:
        """The fleet's own dictionary of workshop words: wording.toml beside the store, if it is there."""
        if self.store.path is None:
            return []
        own = self.store.path.resolve().parent / WORDING_FILE
        return [own] if own.is_file() else []

    def first_day(self) -> date:
        """The first day on record, in the fleet's zone."""
        return first_day(self.store, self.settings.fleet.time_zone)

    def last_day(self) -> date:
        """The last day on record, in the fleet's zone."""
        return last_day(self.store, self.settings.fleet.time_zone)

    def family(self, name: str) -> FaultFamily:
        """The fault family of that name.

        Raises:
            UsageError: when there is none, naming those there are.
        """
        if name not in self.families:
            raise UsageError(f"There is no fault family {name!r}; {proposal(name, sorted(self.families))}")
        return self.families[name]

    def begin(self, scope: Scope) -> tuple[History, FaultFamily]:
        """The history and family of a scope, whose machines, sites and build years must be on the list.

        Raises:
            UsageError: for an unknown family, machine, site or build year.
        """
        family = self.family(scope.fault)
        history = self.history(scope.as_of)
        if self._begun is not history:
            self._check_day(history.as_of)
            self._begun = history
        self._check_filters(scope, history.as_of)
        return history, family

    def _check_day(self, as_of: date) -> None:
        """Refuses a day before the first record: of it nothing is known, and nothing must not read as well."""
        first = self.first_day()
        if as_of < first:
            raise UsageError(
                f"The records begin {first}, so nothing is known as of {as_of}; ask about a later day."
            )

    def _check_filters(self, scope: Scope, as_of: date) -> None:
        """Refuses what the list does not hold, since a slip of the pen must not read as all-clear."""
        if not (scope.machines or scope.sites or scope.build_years):
            return
        listed = self.store.run("fleet/listed_machines")
        for column, thing, wanted in (
            ("machine_id", "machine", scope.machines),
            ("site", "site", scope.sites),
            ("build_year", "build year", scope.build_years),
        ):
            known = listed[column].drop_nulls().unique().sort().to_list() if wanted else []
            for value in wanted:
                if value not in known:
                    near = get_close_matches(str(value), [str(one) for one in known], n=3, cutoff=0.5)
                    hint = f"nearest: {', '.join(near)}; " if near else ""
                    raise UsageError(
                        f"There is no {thing} {str(value)!r} on the list as of {as_of}; {hint}"
                        "'fleetlog export machines --out machines.csv' writes the list."
                    )


def selection(scope: Scope) -> dict[str, Any]:
    """The scope's filters as the parameters that the files of sql/risk/ bind; None = all."""
    return {
        "sites": list(scope.sites) or None,
        "build_years": list(scope.build_years) or None,
        "machines": list(scope.machines) or None,
    }


def settings_of(store_path: Path | None) -> Settings:
    """The settings beside a store, or the defaults where there are none."""
    own_settings = settings_beside(store_path.resolve()) if store_path is not None else None
    return load_settings(own_settings)


def intake_settings(settings: Settings) -> PlainSettings:
    """The part of the settings that loading needs."""
    from fleetlog.intake import PlainSettings

    words = settings.vocabulary
    return PlainSettings(
        time_zone=settings.fleet.time_zone,
        words={
            "component": words.component,
            "action": words.action,
            "finding": words.finding,
            "quantity": words.quantity,
        },
    )


def open_fleet(
    path: Path | str | None,
    *,
    settings: Settings | None = None,
    writable: bool = False,
    create: bool = False,
    wait: float = 0.0,
    notify: Callable[[str], None] | None = None,
) -> Fleet:
    """Opens a store for questions.

    Args:
        path: the store's file; None opens an empty store in memory.
        settings: what is in force; None reads fleetlog.toml beside the store.
        writable: open it for loading too; others see what was loaded when the fleet is closed.
        create: make the store when there is none.
        wait: for how many seconds to queue behind others who write; 0 asks once.
        notify: hears, in a sentence, for whom we wait.

    Raises:
        StoreBusyError: when another process writes to the store.
        StoreError: when the store cannot be opened.
        SettingsError: when the settings or a fault family do not read.
    """
    store_path = Path(path) if path is not None else None
    in_force = settings if settings is not None else settings_of(store_path)
    families = families_for(in_force)
    store = open_store(store_path, writable=writable, create=create, wait=wait, notify=notify)
    return Fleet(store, in_force, families)
