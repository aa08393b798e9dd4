"""A file of sql/ gives the same rows whether the engine binds its statement once or, by its public way, twice."""

from __future__ import annotations

from typing import Any

import pytest
from polars.testing import assert_frame_equal

from fleetlog.session.fleet import Fleet
from fleetlog.store import DatabaseError


class _PublicOnly:
    """A connection without the inner call."""

    def __init__(self, connection: Any) -> None:
        self._connection = connection

    def sql(self, query: str, *, params: Any) -> Any:
        return self._connection.sql(query, params=params)


def test_the_public_way_gives_the_same(demo: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    demo.history()
    asked: list[tuple[str, dict[str, Any]]] = [
        ("history/last_record", {}),
        ("fleet/listed_machines", {}),
        (
            "risk/machine_exposure",
            dict(fault="neutral-return", sites=["Tolbeck"], build_years=None, machines=None),
        ),
    ]
    once = [demo.store.run(name, **parameters) for name, parameters in asked]
    monkeypatch.setattr(demo.store, "_connection", _PublicOnly(demo.store._connection))
    for (name, parameters), rows in zip(asked, once, strict=True):
        assert_frame_equal(demo.store.run(name, **parameters), rows, check_exact=True)
    assert once[0].height == 1
    assert once[1].height > 100
    assert set(once[2]["site"]) == {"Tolbeck"}


def test_what_the_engine_refuses_is_said_as_ever(demo: Fleet) -> None:
    with pytest.raises(DatabaseError, match="value 'north' can't be cast"):
        demo.store.run(
            "risk/machine_exposure", fault="neutral-return", sites=None, build_years="north", machines=None
        )
