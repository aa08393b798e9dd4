"""Sentences about tests and single groups, as they stand beneath a table on a screen."""

from __future__ import annotations

from collections.abc import Mapping


def comparison_remarks(
    test: str, result: Mapping[str, float] | None, strata: tuple[str, ...] = ()
) -> tuple[str, ...]:
    """The test between the groups as a sentence, none where there was nothing to test."""
    if result is None:
        return ()
    within = f" within {', '.join(strata)}" if strata else ""
    chi2 = f"chi-square {result['chi2']:.4g}, {result['df']} df"
    said = [f"Test that no group differs ({test}{within}): {chi2}, {_both(result, 'p')}."]
    if "trend_p" in result:
        way = "more" if result["trend_z"] > 0 else "less"
        said.append(
            f"Test for a trend from group to group ({test}{within}): later ones fail {way}, {_both(result, 'trend_p')}."
        )
    return tuple(said)


def _both(result: Mapping[str, float], name: str) -> str:
    """A p-value, and the one that allows for what lives of one machine have in common, where there is one."""
    robust = result.get(f"{name}_by_machine")
    alike = f"; {p_value(robust)} allowing for lives of one machine being alike" if robust is not None else ""
    return f"{p_value(result[name])}{alike}"


def group_remark(label: str, note: str, split: bool) -> str:
    """A note about one group as a sentence of its own."""
    text = f"{label}: {note}" if split else f"{note[:1].upper()}{note[1:]}"
    return f"{text}."


def p_value(value: float) -> str:
    """A p-value with two figures, none below 0.0001."""
    return "p < 0.0001" if value < 0.0001 else f"p = {value:.2g}"
