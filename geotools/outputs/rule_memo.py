"""Write the memo that asks a community for a change of its barrier rule, with figures, sources and cautions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.design import BarrierStandard, excluded_body_length, specified_height
from geotools.outputs.report import Part, write_report
from geotools.outputs.sheet_scale import show_height
from geotools.standards import CommunityRule, read_rule
from geotools.standards.codes import list_codes
from geotools.standards.rule_file import PLACES
from geotools.units import write_small

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["write_rule_memo"]

_MOST_LOTS = 60


def write_rule_memo(
    judged_rule: gpd.GeoDataFrame,
    code_flags: gpd.GeoDataFrame | None = None,
    shares: pd.DataFrame | None = None,
    *,
    path: Path,
    standard: BarrierStandard | None = None,
    units: str = "us",
    title: str = "",
    date_of_data: str = "",
) -> None:
    """Write a memo as PDF and, beside it, as Markdown.

    Parameters
    ----------
    judged_rule : GeoDataFrame
        As `judge_rule` gives it.
    code_flags : GeoDataFrame, optional
        As `flag_codes` gives it.
    shares : DataFrame, optional
        As `share_excluded` gives it.
    path : Path
        The PDF to write; the Markdown gets the same name with `.md`.
    standard : BarrierStandard, optional
    units : str
        `us` or `metric`.
    title, date_of_data : str

    Raises
    ------
    PipelineError, DesignError
        If the rule file can't be read or used.
    OutputError
        If a file can't be written.

    Examples
    --------
    >>> write_rule_memo(judged, path=Path("memo.pdf"))  # doctest: +SKIP
    """
    standard = standard or BarrierStandard()
    community = read_rule(str(judged_rule["rule_file"].iloc[0]) if len(judged_rule) else "")
    tested = judged_rule[judged_rule["needs_line"]]
    parts = [
        Part("title", f"Request to change {community.rule}"),
        Part("text", f"To: {community.community}. Concerning: {title or 'rattlesnake exclusion barriers'}. "
             f"The rule is dated {community.dated or 'not stated'}; its text is {community.status}."),
        *_ask(community, tested, standard, units),
        *_figures(community, standard, shares, units),
        *_looks(community, tested),
        *_lots(tested, units),
        *_codes(code_flags, units),
        Part("heading", "Sources, and how far each was verified"),
        Part("table", head=("Figure", "Source", "Status"), rows=_sources(units), shares=(0.4, 0.38, 0.22)),
        Part("text", "The share of animals kept out rests on body lengths of adults, most of them from stated ranges "
             "or from memory; the table of the species says which. It is a help to compare heights, not a forecast."),
    ]  # fmt: skip
    unit_text = "feet and inches" if units == "us" else "metres and millimetres"
    write_report(parts, path, foot=f"date of data: {date_of_data or 'not given'}; units: {unit_text}")


def _ask(rule: CommunityRule, tested: gpd.GeoDataFrame, standard: BarrierStandard, units: str) -> list[Part]:
    failing = tested[~tested["passes"]]
    design = show_height(standard.height_m, units=units)
    head = Part("heading", "What we ask")
    if failing.empty:
        text = f"Nothing needs to change: all {len(tested)} lots that need a barrier can have it under the rule."
        return [head, Part("text", text)]
    limits = [rule.greatest_height(place) for place in PLACES if rule.at(place)]
    known = [limit for limit in limits if limit is not None]
    now = f"The rule allows {show_height(min(known), units=units)}" if known else "The rule has no height limit"
    length = excluded_body_length(min(known), buffer_m=standard.buffer_m) if known else np.nan
    good = f", which keeps out animals up to {show_height(float(length), units=units)} long" if known else ""
    mesh = write_small(standard.mesh_opening_m, units=units)
    text = (
        f"{now}{good}. The design animal is {show_height(standard.body_length_m, units=units)} long and asks for "
        f"{design}. {len(failing)} of the {len(tested)} lots that need a barrier can't have it under the rule as it "
        f"stands. We ask that barriers of {design} of smooth material or {mesh} mesh be allowed where they are "
        "listed below."
    )
    return [head, Part("text", text)]


def _figures(rule: CommunityRule, standard: BarrierStandard, shares: pd.DataFrame | None, units: str) -> list[Part]:
    heights = {one.greatest_height for one in rule.allows if one.greatest_height} | {standard.height_m}
    heights |= {float(specified_height(height, height_step_m=standard.height_step_m)) for height in heights}
    rows: list[Sequence[object]] = []
    for height in sorted(heights):
        where = [place for place in PLACES if rule.greatest_height(place) == height]
        told = f"allowed now: {', '.join(where)}" if where else "the design" if height == standard.height_m else ""
        length = float(excluded_body_length(height, buffer_m=standard.buffer_m))
        rows.append([show_height(height, units=units), show_height(length, units=units), told])
    parts = [
        Part("heading", "What a height keeps out"),
        Part("text", f"L = 2 (H - buffer), buffer {show_height(standard.buffer_m, units=units)}: the height rule "
             "turned round (common practice, no source)."),
        Part("table", head=("Height", "Keeps out animals up to", "Remark"), rows=rows, shares=(0.2, 0.35, 0.45)),
    ]  # fmt: skip
    if shares is not None and len(shares):
        parts += _share_table(shares, units)
    return parts


def _share_table(shares: pd.DataFrame, units: str) -> list[Part]:
    heights_in = sorted(shares["height_in"].unique())
    table = shares.pivot_table(index="species", columns="height_in", values="share_excluded_pct", sort=False)
    heads = [show_height(height * 0.0254, units=units) for height in heights_in]
    rows: list[Sequence[object]] = [
        [name, *(f"{share:.0f} %" for share in row)]
        for name, row in zip(table.index, table[heights_in].to_numpy().tolist(), strict=True)
    ]
    status = shares.drop_duplicates("species")
    items = [
        f"{row['species']}: mean {row['mean_status']}; spread {row['sd_status']}" for row in status.to_dict("records")
    ]
    return [
        Part("text", "Share of adults that a height keeps out, by species:"),
        Part("table", head=("Species", *heads), rows=rows, shares=(3.0, *[1.0] * len(heads))),
        Part("list", items=items),
    ]


def _sources(units: str) -> list[Sequence[object]]:
    """Where the figures come from; published ones in the units that are shown."""
    buffer, burial, mesh, high, low = (write_small(size_in * 0.0254, units=units) for size_in in (6, 6, 0.25, 36, 24))
    restated = "published, read as restated elsewhere"
    return [
        (f"height = half the body length + {buffer}", "common practice", "no published source"),
        (
            "terrestrial snakes hold 30-50 % of their length unsupported",
            "Lillywhite et al. 2000, J. Herpetol. 34:523-528",
            "published, text read",
        ),
        (
            f"{high} high, {mesh} mesh, {burial} buried",
            "extension fact sheets (Colorado State University; Internet Center for Wildlife Damage Management)",
            restated,
        ),
        (f"{low} to {high}, last resort, not all species", "UF/IFAS WEC221", restated),
    ]


def _looks(rule: CommunityRule, tested: gpd.GeoDataFrame) -> list[Part]:
    """Materials and colours that the rule asks for, which a barrier can mostly meet."""
    items = []
    for one in rule.allows:
        told = [
            f"{word}: {', '.join(names)}"
            for word, names in (("materials", one.materials), ("colours", one.colours))
            if names
        ]
        if told or one.note:
            items.append(f"{' and '.join(one.where)}: {'; '.join([*told, *([one.note] if one.note else [])])}")
    if not items:
        return []
    text = "What the rule asks of looks; mesh and sheet are made in most colours (common practice, no source):"
    parts = [Part("heading", "Materials and colours"), Part("text", text), Part("list", items=items)]
    judged = tested["colour"][tested["colour"] != ""].str.split(":").str[0].value_counts()
    if len(judged):
        counted = "; ".join(f"{kind}: {count} lots" for kind, count in judged.items())
        parts.append(Part("text", f"Colour of the barrier against these, by lot: {counted}."))
    return parts


def _lots(tested: gpd.GeoDataFrame, units: str) -> list[Part]:
    failing = tested[~tested["passes"]]
    parts = [Part("heading", "Lots that can't have what they need")]
    if failing.empty:
        return [*parts, Part("text", "None.")]
    rows: list[Sequence[object]] = [
        [row["parcel_id"], show_height(row["needed_height_m"], units=units), _limit(row, units), row["conflicts"]]
        for row in failing.head(_MOST_LOTS).to_dict("records")
    ]
    parts.append(
        Part("table", head=("Lot", "Needed", "Allowed", "Conflict"), rows=rows, shares=(0.2, 0.12, 0.12, 0.56))
    )
    if len(failing) > _MOST_LOTS:
        parts.append(Part("text", f"And {len(failing) - _MOST_LOTS} more lots."))
    return parts


def _limit(row: dict[Any, Any], units: str) -> str:
    limit = row["allowed_height_m"]
    return "no limit" if not np.isfinite(limit) else "none" if limit == 0 else show_height(limit, units=units)


def _codes(flags: gpd.GeoDataFrame | None, units: str) -> list[Part]:
    rows: list[Sequence[object]] = []
    for code in list_codes(units=units):
        counted = ""
        column = code.key.replace(" ", "_")
        if flags is not None and column in flags.columns:
            kinds = flags[column][flags[column] != ""].str.split(":").str[0].value_counts()
            counted = ", ".join(f"{count} {kind}" for kind, count in kinds.items()) or "no lot"
        rows.append([code.source, code.text, code.status, counted])
    return [
        Part("heading", "Codes that come first"),
        Part("text", "Where they meet the plan. Local codes differ and win; this is no legal advice."),
        Part("table", head=("Code", "Threshold", "Status", "Lots"), rows=rows, shares=(0.22, 0.44, 0.16, 0.18)),
    ]
