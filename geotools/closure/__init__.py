"""Prove whether each lot's protected ground is closed, and show the way in where it is not."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geotools.closure._openings import collect, explain, list_openings, mend_lengths, warn_of_touching
from geotools.closure._proof import Proof, prove
from geotools.closure._site import Tolerances, check_layers, lay_out
from geotools.design import BarrierStandard
from geotools.errors import DesignError
from geotools.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Shapes = NDArray[np.object_]

__all__ = ["find_ways_in", "prove_closure"]


def prove_closure(
    ground: gpd.GeoDataFrame,
    habitat: gpd.GeoDataFrame,
    judged_walls: gpd.GeoDataFrame,
    judged_gates: gpd.GeoDataFrame | None = None,
    buildings: gpd.GeoDataFrame | None = None,
    *,
    standard: BarrierStandard | None = None,
    units: str = "us",
    gap_m: float = 3.0,
    gate_within_m: float = 1.5,
    gate_width_m: float = 3 * METRES_PER_FOOT,
    strip_m: float = 2 * METRES_PER_FOOT,
    gate_cost_m: float = 3.0,
    gap_cost_pct: float = 200.0,
) -> gpd.GeoDataFrame:
    """Prove for each lot whether every route from the habitat to its protected ground meets a sound barrier.

    The plane is cut into faces along all walls, house walls and outlines. Barriers are sound walls, sound gates and
    house walls (doors are taken as shut); everything else, streets included, is open ground. A lot is closed when none
    of its protected faces can be reached. Where it is not, the minimum cut over the unsound pieces is the cheapest set
    of repairs.

    Drawn lines that miss each other by no more than `standard.snap_m` meet; a wider gap is a way in. Of walls drawn on
    each other the better one counts. A gate is a piece of the wall (or of the gap) that it stands in.

    Parameters
    ----------
    ground : GeoDataFrame, n rows
        `parcel_id` and the polygon columns `protected` and, if known, `house`; empty or missing where there is none.
    habitat : GeoDataFrame
        Polygons where the animals live, in the same projected CRS. Without any, they come from beyond the data.
    judged_walls : GeoDataFrame
        Lines with `sound_now`, and if known `judgement`, `mend`, `kind`, `opening_m`. A planned line with `sound_now`
        true is proven just so.
    judged_gates : GeoDataFrame, optional
        Points with `sound_now`, and if known `width_m`, `opening_m`, `judgement`, `mend`.
    buildings : GeoDataFrame, optional
        More house walls than those of `house`.
    standard : BarrierStandard, optional
        For the snapping tolerance.
    gap_m : float
        The longest gap at a wall end that is offered as a piece to fill, metres (assumption of this project).
    gate_within_m : float
        A gate farther than this from any wall is listed as a warning and left out, metres (assumption of this project).
    gate_width_m : float
        Width of a gate without one, metres (assumption of this project: 3 ft).
    strip_m : float
        Protected ground or habitat left over in strips narrower than this, between a wall and the lot line, doesn't
        count, metres (assumption of this project: 2 ft).
    gate_cost_m : float
        Metres of wall that cost as much to mend as one gate (assumption of this project).
    gap_cost_pct : float
        Cost of filling a metre of gap, percent of that of mending a metre of wall (assumption of this project).
    units : str
        Units of the texts: `us` or `metric`.

    Returns
    -------
    GeoDataFrame, n rows on the ground's index
        parcel_id, `closed_now`, `closable` (open ground alone doesn't lead in: mending or filling what exists closes
        it), `ways_in` (openings to mend, or open sides), `mend_length_m` (walls and gaps to mend; NaN where not
        closable), `reached_pct` (share of the protected ground that can be reached), `why`, `warning`, `openings`
        (geometry collection) with `opening_notes` (JSON, one entry per opening) and the geometry of the way in
        (LineString from the habitat to the protected ground, missing where closed).

    Raises
    ------
    CrsError
        If layers have no CRS, one in degrees, or different ones.
    LayerError
        If a layer is not judged, has the wrong shapes, or reaches too far.
    DesignError
        If a tolerance or cost is not above 0.

    Examples
    --------
    >>> yard = shapely.box(0, 0, 20, 20)
    >>> def layer(shapes, **columns):
    ...     return gpd.GeoDataFrame(columns, geometry=shapes, crs=32612)
    >>> ground = layer([yard], parcel_id=["1"]).assign(protected=layer([yard]).geometry)
    >>> desert = layer([shapely.box(0, 25, 20, 60)])
    >>> prove_closure(ground, desert, layer([yard.exterior], sound_now=[True]))["closed_now"].tolist()
    [True]
    >>> low = prove_closure(ground, desert, layer([yard.exterior], sound_now=[False]))
    >>> low["closable"].item(), low["mend_length_m"].item()
    (True, 80.0)
    """
    standard = standard or BarrierStandard()
    tolerances = Tolerances(gap_m, gate_within_m, gate_width_m, strip_m, gate_cost_m, gap_cost_pct)
    for name, value in tolerances._asdict().items():
        if not 0 < value < np.inf:
            raise DesignError(f"{name} is {value}", mend="give a number above 0")
    check_layers(
        {"ground": ground, "habitat": habitat, "walls": judged_walls, "gates": judged_gates, "buildings": buildings}
    )
    protected = _polygons(ground["protected"].to_numpy())
    houses = _polygons(ground["house"].to_numpy()) if "house" in ground.columns else np.zeros(0, dtype=object)
    if buildings is not None:
        houses = np.concatenate([houses, _polygons(buildings.geometry.to_numpy())])
    desert = _polygons(habitat.geometry.to_numpy())
    site = lay_out(
        protected,
        houses[~shapely.is_empty(houses)],
        desert[~shapely.is_empty(desert)],
        judged_walls,
        judged_gates,
        standard=standard,
        tolerances=tolerances,
        units=units,
    )
    proof = prove(site, len(ground))
    openings = list_openings(site, proof, judged_walls, judged_gates, units)
    warning = warn_of_touching(site, proof, judged_walls, len(ground), standard.snap_m, units)
    source = "the habitat" if len(habitat) else "beyond the data"
    return _table(ground, proof, openings, warning, source, units)


def find_ways_in(closure: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """List the openings of every lot that is not closed: what has to be mended, or where the ground lies open.

    Parameters
    ----------
    closure : GeoDataFrame, n rows
        From `prove_closure`.

    Returns
    -------
    GeoDataFrame
        One row per opening, in the order of the lots: parcel_id, kind (`gate`, `gap`, `wall too low`, `wall openings
        too large`, `climbable wall`, `wall with outside rail`, `wall to be measured`, `wall not sound`, `open side`,
        `habitat inside`), opening_m (clear opening of a gate or wall, length of a gap or open side; NaN where not
        known), length_m, remedy, geometry (lines).

    Raises
    ------
    ValueError
        If `opening_notes` doesn't fit `openings`.

    Examples
    --------
    >>> yard = shapely.box(0, 0, 20, 20)
    >>> ground = gpd.GeoDataFrame({"parcel_id": ["1"]}, geometry=[yard], crs=32612)
    >>> desert = gpd.GeoDataFrame(geometry=[shapely.box(0, 25, 20, 60)], crs=32612)
    >>> walls = gpd.GeoDataFrame({"sound_now": [False]}, geometry=[yard.exterior], crs=32612)
    >>> find_ways_in(prove_closure(ground.assign(protected=ground.geometry), desert, walls))["kind"].tolist()
    ['wall not sound']
    """
    parts, at = shapely.get_parts(closure["openings"].to_numpy(), return_index=True)
    notes: list[dict[str, Any]] = [note for text in closure["opening_notes"] for note in json.loads(text)]
    if len(notes) != len(parts):
        raise ValueError(f"{len(notes)} notes for {len(parts)} openings")
    return gpd.GeoDataFrame(
        {
            "parcel_id": closure["parcel_id"].to_numpy()[at],
            "kind": pd.Series([note["kind"] for note in notes], dtype=str),
            "opening_m": pd.Series([note["opening_m"] for note in notes], dtype=np.float64),
            "length_m": shapely.length(parts),
            "remedy": pd.Series([note["remedy"] for note in notes], dtype=str),
        },
        geometry=parts,
        crs=closure.crs,
    )


def _polygons(shapes: Shapes) -> Shapes:
    shapes = np.asarray(shapes, dtype=object).copy()
    shapes[shapely.is_missing(shapes)] = shapely.Polygon()
    return shapes


def _table(
    ground: gpd.GeoDataFrame, proof: Proof, openings: pd.DataFrame, warning: list[str], source: str, units: str
) -> gpd.GeoDataFrame:
    lots, index = len(ground), ground.index
    collections, notes = collect(openings, lots)
    ids = ground["parcel_id"].astype(str).tolist()
    table = gpd.GeoDataFrame(
        {
            "parcel_id": ground["parcel_id"],
            "closed_now": proof.closed,
            "closable": proof.closable,
            "ways_in": np.bincount(openings["lot"].to_numpy(np.intp), minlength=lots),
            "mend_length_m": np.where(proof.closable, mend_lengths(openings, lots), np.nan),
            "reached_pct": np.where(proof.known, 100 * proof.reached_share, np.nan),
            "why": pd.Series(explain(proof, openings, ids, source, units), index=index, dtype=str),
            "warning": pd.Series(warning, index=index, dtype=str),
            "opening_notes": pd.Series(notes, index=index, dtype=str),
        },
        index=index,
        geometry=gpd.GeoSeries(proof.routes, index=index, crs=ground.crs),
    )
    return table.assign(openings=gpd.GeoSeries(collections, index=index, crs=ground.crs))
