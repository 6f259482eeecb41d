"""Find parcels that overlap or lie on top of each other; a legal boundary is reported, never moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geotools.findings import FIRST_IDS, Finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MATERIAL_OVERLAP_M2", "overlap_findings", "overlapping_pairs"]

MATERIAL_OVERLAP_M2 = 1.0
"""Overlap below which two lots are taken to meet (assumption of this project: the play of drawn lines)."""


def overlap_findings(geometries: NDArray[np.object_], ids: NDArray[np.object_]) -> list[Finding]:
    """Say which parcels share one shape (condominiums: in order) and which overlap (a survey's question).

    Parameters
    ----------
    geometries : numpy.ndarray of polygons or None, n
        In metres.
    ids : numpy.ndarray of str, n
    """
    present = np.flatnonzero(~shapely.is_missing(geometries))
    if not len(present):
        return []
    shapes = shapely.normalize(geometries[present])
    _, first, which, counts = np.unique(
        shapely.to_wkb(shapes), return_index=True, return_inverse=True, return_counts=True
    )
    found = []
    stacked = np.flatnonzero(counts[which] > 1)
    if len(stacked):
        message = f"{len(stacked)} parcels lie in {int((counts > 1).sum())} stacks of one shape each (condominiums)"
        named = tuple(str(one) for one in ids[present[stacked[:FIRST_IDS]]])
        found.append(Finding("stacked", "note", "parcels", message, count=len(stacked), first_ids=named))
    first = np.sort(first)
    left, right, area_m2 = overlapping_pairs(shapes[first])
    if len(left):
        one, other = ids[present[first[left]]], ids[present[first[right]]]
        named = tuple(f"{a} and {b}: {m2:,.1f} sq m" for a, b, m2 in zip(one, other, area_m2, strict=True))[:FIRST_IDS]
        pairs = "1 pair of parcels overlaps" if len(left) == 1 else f"{len(left)} pairs of parcels overlap"
        message = f"{pairs} by {area_m2.sum():,.1f} sq m in all"
        mend = "ask whoever drew them; they are used as they are"
        found.append(Finding("overlap", "warning", "parcels", message, count=len(left), first_ids=named, mend=mend))
    return found


def overlapping_pairs(
    geometries: NDArray[np.object_],
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Find the pairs of polygons whose interiors overlap by more than a square metre.

    Only polygons whose edges break the rules of a coverage are compared, so that a clean fabric costs one pass.

    Returns
    -------
    left, right : numpy.ndarray of int
        Positions, left before right.
    area_m2 : numpy.ndarray of float64

    Examples
    --------
    >>> left, right, area_m2 = overlapping_pairs(shapely.box([0, 8], [0, 0], [10, 20], [10, 10]))
    >>> left.tolist(), right.tolist(), area_m2.tolist()
    ([0], [1], [20.0])
    """
    suspects = np.flatnonzero(~shapely.is_empty(shapely.coverage_invalid_edges(geometries)))
    if not len(suspects):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0)
    at, other = shapely.STRtree(geometries).query(geometries[suspects], predicate="intersects")
    pairs = np.stack([suspects[at], other], axis=1)
    pairs = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0)
    area_m2 = shapely.area(shapely.intersection(geometries[pairs[:, 0]], geometries[pairs[:, 1]]))
    material = area_m2 > MATERIAL_OVERLAP_M2
    return pairs[material, 0], pairs[material, 1], area_m2[material]
