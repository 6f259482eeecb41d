"""Inspect a built barrier against the plan of an earlier run, and prove its closure again."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.design import BarrierStandard
from geotools.errors import Assumed, GeotoolsError, LayerError, Noticed
from geotools.pipeline.doing import listening
from geotools.pipeline.earlier import make_tables, read_earlier
from geotools.pipeline.placing import RECORD, fresh_folder
from geotools.pipeline.record import write_record
from geotools.steps import find_step
from geotools.units import LENGTH_SUFFIXES_M, parse_length, parse_lengths

if TYPE_CHECKING:
    import geopandas as gpd

__all__ = ["inspect_plan", "list_layers", "read_layer", "to_working"]

_FOR_CLOSURE = ("ground", "habitat", "candidate_lines", "judged_walls", "judged_gates", "buildings")
_LENGTHS = ("height", "opening", "width")
"""Columns of a measurement that are lengths whatever they hold; other text stays text."""
_NO_UNIT = ("ways_in",)


def inspect_plan(
    plan_file: Path,
    as_built: str,
    out: Path,
    *,
    snap: str = "5 ft",
    tolerance: str = "0.5 in",
    spacing: str = "12 ft",
    date_of_data: str = "",
) -> dict[str, Any]:
    """Compare a built barrier with the plan of a run, and write the inspection to a folder.

    Closure is proved again where the record of the run (run.json beside the plan) and its inputs are at hand.

    Parameters
    ----------
    plan_file : pathlib.Path
        lots.gpkg of a run.
    as_built : str
        The measured points or lines: any vector source.
    out : pathlib.Path
        Folder for inspection.gpkg, inspection.csv, punch_list.csv, inspection.pdf and .md.
    snap, tolerance, spacing : str
        Lengths in any unit: how far off the plan a place may lie, how much too low a top may be, how far apart
        neighbouring points may be.
    date_of_data : str
        Written in the report.

    Returns
    -------
    dict
        `lines`, `lines_passed`, `stops`, `lots_closed`, `lots` (None where closure was not proved), `told` (what was
        noticed).

    Raises
    ------
    GeotoolsError
        If the plan, the measurement or an option can't be used; nothing is left behind then.

    Examples
    --------
    >>> inspect_plan(Path("no-plan.gpkg"), "as_built.gpkg", Path("out"))
    Traceback (most recent call last):
    geotools.errors.LayerError: no-plan.gpkg: there is no such file; give lots.gpkg of a run
    """
    options = {
        "snap_m": parse_length(snap),
        "tolerance_m": parse_length(tolerance),
        "spacing_m": parse_length(spacing),
    }
    if not plan_file.is_file():
        raise LayerError("there is no such file", where=str(plan_file), mend="give lots.gpkg of a run")
    with fresh_folder(out) as folder, listening() as heard:
        lines, panels, gates, units = _read_plan(plan_file)
        measured = to_working(_read_as_built(as_built, lines.crs))
        stretches = find_step("compare_as_built").function(lines, measured, panels, gates, units=units, **options)
        punch_list = find_step("list_punch").function(stretches)
        closure = _prove_again(plan_file, lines, stretches, units)
        shown = {name: options[name] for name in ("snap_m", "tolerance_m")}
        find_step("write_inspection").function(
            stretches,
            punch_list,
            closure,
            path=folder / "inspection.gpkg",
            units=units,
            date_of_data=date_of_data,
            **shown,
        )
        passed = stretches.groupby("line_id")["passes"].all()
        record: dict[str, Any] = {
            "lines": len(passed),
            "lines_passed": int(passed.sum()),
            "stops": len(punch_list),
            "lots": None if closure is None else len(closure),
            "lots_closed": None if closure is None else int(closure["closed_now"].sum()),
            "told": list(dict.fromkeys(str(one.message) for one in heard)),
        }
        outputs = sorted([*(path.name for path in folder.iterdir()), RECORD])
        whole = {"plan": str(plan_file), "as_built": as_built, "parameters": options, **record, "outputs": outputs}
        write_record(whole, folder)
    return record


def to_working(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Bring columns whose names say a unit, or that hold lengths as text, to metres.

    Raises
    ------
    UnitError
        If a text is no length.

    Examples
    --------
    >>> import geopandas as gpd
    >>> points = gpd.GeoDataFrame({"height_in": [36.0]}, geometry=gpd.points_from_xy([0], [0]))
    >>> to_working(points)["height_m"].round(4).tolist()
    [0.9144]
    """
    import pandas as pd

    made = table.copy()
    for column in [str(name) for name in table.columns if name != table.geometry.name]:
        stem, _, unit = column.lower().rpartition("_")
        known = bool(stem) and f"_{unit}" in LENGTH_SUFFIXES_M and column.lower() not in _NO_UNIT
        values = table[column]
        if known and pd.api.types.is_numeric_dtype(values):
            made[f"{stem}_m"] = values.astype("float64") * LENGTH_SUFFIXES_M[f"_{unit}"]
        elif (stem if known else column.lower()) in _LENGTHS:
            texts = values.astype(object).where(values.notna(), None)
            made[f"{stem if known else column.lower()}_m"] = parse_lengths(texts, default_unit=unit if known else None)
    return made


def _read_plan(
    plan_file: Path,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame | None, gpd.GeoDataFrame | None, str]:
    """Barrier lines, panels and planned gates where there are any, and the units that the plan shows."""
    layers = list_layers(plan_file)
    if "barrier_lines" not in layers:
        raise LayerError(
            f"it has no layer barrier_lines (it has: {', '.join(layers) or 'none'})",
            where=str(plan_file),
            mend="give lots.gpkg of a run",
        )
    lines = read_layer(plan_file, "barrier_lines")
    units = "us" if "height_in" in lines.columns else "metric"
    panels = to_working(read_layer(plan_file, "panels")) if "panels" in layers else None
    gates = to_working(read_layer(plan_file, "planned_gates")) if "planned_gates" in layers else None
    return to_working(lines), panels, gates, units


def list_layers(path: Path) -> list[str]:
    """List the layers of a plan's package.

    Raises
    ------
    LayerError
        If it can't be read.

    Examples
    --------
    >>> list_layers(Path("pyproject.toml"))
    Traceback (most recent call last):
    geotools.errors.LayerError: ...
    """
    import pyogrio

    try:
        return [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    except pyogrio.errors.DataSourceError as error:
        raise LayerError(f"it can't be read ({error})", where=str(path), mend="give lots.gpkg of a run") from None


def read_layer(path: Path, layer: str) -> gpd.GeoDataFrame:
    """Read a layer of a plan's package as it is.

    Examples
    --------
    >>> read_layer(Path("lots.gpkg"), "barrier_lines")  # doctest: +SKIP
    """
    import geopandas as gpd

    return gpd.read_file(path, layer=layer, engine="pyogrio")


def _read_as_built(text: str, crs: Any) -> gpd.GeoDataFrame:
    """The measurement as it was delivered, in the CRS of the plan."""
    from geotools.layers.schema import layer_schema
    from geotools.layers.vector import read_vector

    raw = read_vector(text, layer_schema("as_built", others=["as_built"]), {})
    kept = raw.frame[raw.frame.geometry.notna() & ~raw.frame.geometry.is_empty]
    if kept.empty:
        raise LayerError("there is nothing in it", where=text, mend="give the measured points or lines")
    return kept.to_crs(crs).reset_index(drop=True)


def _prove_again(plan_file: Path, lines: gpd.GeoDataFrame, stretches: gpd.GeoDataFrame, units: str) -> Any:
    """Closure of the lots with a line, with what was built; None where the plan's run can't be had again."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Noticed)
            earlier = read_earlier(plan_file.parent)
            tables = make_tables(earlier, _FOR_CLOSURE)
    except GeotoolsError as error:
        warnings.warn(f"closure is not proved again: {error}", Noticed, stacklevel=2)
        return None
    if not {"ground", "habitat"} <= set(tables):
        warnings.warn("closure is not proved again: the run has no ground or habitat", Noticed, stacklevel=2)
        return None
    if tables["ground"].crs != lines.crs:
        warnings.warn("closure is not proved again: the run's CRS is another one", Noticed, stacklevel=2)
        return None
    ground = _behind_lines(tables["ground"], tables.get("candidate_lines"), lines)
    walls = find_step("join_as_built").function(stretches, tables.get("judged_walls"))
    warnings.warn("existing walls and gates are taken as the plan's run judged them", Assumed, stacklevel=2)
    return find_step("prove_closure").function(
        ground,
        tables["habitat"],
        walls,
        tables.get("judged_gates"),
        tables.get("buildings"),
        standard=BarrierStandard.from_table(earlier.design),
        units=units,
    )


def _behind_lines(ground: gpd.GeoDataFrame, candidates: Any, lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The lots with a recommended line, their protected ground cut to what that line encloses."""
    import geopandas as gpd

    advised = lines[lines["recommended"].astype(bool)]
    kept = ground[ground["parcel_id"].astype(str).isin(set(advised["parcel_id"].astype(str)))]
    if candidates is None or "enclosed" not in candidates.columns:
        return kept
    inside = candidates[candidates["line_id"].isin(set(advised["line_id"]))].set_index("parcel_id")["enclosed"]
    shapes = gpd.GeoSeries(inside.reindex(kept["parcel_id"]).to_numpy(), index=kept.index, crs=ground.crs)
    protected = gpd.GeoSeries(kept["protected"], crs=ground.crs)
    return kept.assign(protected=protected.intersection(shapes).where(shapes.notna(), protected))
