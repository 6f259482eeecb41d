"""Small tables of pieces, and their cheapest barriers found by trying every set of faces or of pieces."""

from __future__ import annotations

from itertools import combinations

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
from shapely import LineString, Point

STACKED = " | "
BARRED = -1

Row = tuple[str, int, int, int]


def plan_of(rows: list[Row], owner: dict[int, str], habitat: set[int]) -> gpd.GeoDataFrame:
    """Write pieces (id, face, face, cents) as a table."""
    names = ["piece_id", "left_face", "right_face", "cost_cents"]
    table = pd.DataFrame(rows, columns=names).astype({"cost_cents": "int64"})
    for side in ("left", "right"):
        table[f"{side}_parcel"] = [owner.get(face, "") for face in table[f"{side}_face"]]
        table[f"{side}_habitat"] = [face in habitat for face in table[f"{side}_face"]]
    table["kind"] = ["open" if cents < 0 else "existing" if cents == 0 else "new" for cents in table["cost_cents"]]
    table["length_m"] = np.abs(table["cost_cents"].astype(float))
    table["height_m"] = 0.9144
    lines = [LineString([(row, 0), (row, 1)]) for row in range(len(table))]
    return gpd.GeoDataFrame(table, geometry=lines, crs=32612)


def random_plan(rng: np.random.Generator, *, faces: int = 6, pieces: int = 12, lots: int = 4) -> gpd.GeoDataFrame:
    """Draw pieces between faces at random; face 0 is habitat, lots have one or two faces and may share them."""
    owner: dict[int, str] = {}
    for lot in range(lots):
        for face in rng.integers(1, faces, rng.integers(1, 3)).tolist():
            names = owner.get(face, "").split(STACKED) if face in owner else []
            owner[face] = STACKED.join(sorted({*names, f"L{lot}"}))
    rows: list[Row] = []
    for number in range(pieces):
        one, other = rng.choice(faces, 2, replace=False).tolist()
        rows.append((f"p{number}", one, other, int(rng.choice([0, BARRED, *range(1, 20)]))))
    return plan_of(rows, owner, {0})


def random_lattice_plan(rng: np.random.Generator, size: int) -> gpd.GeoDataFrame:
    """Draw a planar plan: size x size faces in a habitat face, a price on every side, a lot on a third of them."""
    rows: list[Row] = []

    def face(x: int, y: int) -> int:
        return 1 + x * size + y if 0 <= x < size and 0 <= y < size else 0

    for x in range(-1, size):
        for y in range(-1, size):
            for other in (face(x + 1, y), face(x, y + 1)):
                if face(x, y) != other:
                    cents = int(rng.integers(1, 60))
                    cents = {0: 0, 1: BARRED}.get(int(rng.integers(0, 50)), cents)
                    rows.append((f"s{len(rows)}", face(x, y), other, cents))
    owner = {number: f"L{number}" for number in range(1, size * size + 1) if rng.random() < 1 / 3}
    return plan_of(rows, owner, {0})


def owners(pieces: pd.DataFrame) -> dict[str, set[int]]:
    """Faces of every lot."""
    found: dict[str, set[int]] = {}
    for side in ("left", "right"):
        for face, text in zip(pieces[f"{side}_face"], pieces[f"{side}_parcel"], strict=True):
            for name in filter(None, text.split(STACKED)):
                found.setdefault(name, set()).add(face)
    return found


def habitat_faces(pieces: pd.DataFrame) -> set[int]:
    sides = [pieces.loc[pieces[f"{side}_habitat"], f"{side}_face"] for side in ("left", "right")]
    return set(pd.concat(sides))


def least_cents(pieces: pd.DataFrame, lots: list[str]) -> int | None:
    """Try every set of faces with the lots and no habitat; None if none is bounded by pieces that can be built."""
    own, habitat = owners(pieces), habitat_faces(pieces)
    needed = set().union(*(own[lot] for lot in lots)) if lots else set()
    free = sorted((set(pieces["left_face"]) | set(pieces["right_face"])) - needed - habitat)
    if needed & habitat:
        return None
    sides = list(zip(pieces["left_face"], pieces["right_face"], pieces["cost_cents"], strict=True))
    best: int | None = None
    for bits in range(1 << len(free)):
        inside = needed | {face for place, face in enumerate(free) if bits >> place & 1}
        cut = [cents for left, right, cents in sides if (left in inside) != (right in inside)]
        if BARRED not in cut and (best is None or sum(cut) < best):
            best = sum(cut)
    return best


def least_cents_of_groups(pieces: pd.DataFrame, lots: list[str]) -> np.ndarray:
    """Do the same for every group of lots that can all be closed; bit n of a group's place says whether lot n is in."""
    own, habitat = owners(pieces), habitat_faces(pieces)
    faces = sorted((set(pieces["left_face"]) | set(pieces["right_face"])) - habitat)
    place = {face: number for number, face in enumerate(faces)}
    inside = np.arange(1 << len(faces))
    price = np.zeros(len(inside))
    for left, right, cents in zip(pieces["left_face"], pieces["right_face"], pieces["cost_cents"], strict=True):
        sides = [inside >> place[face] & 1 if face in place else 0 for face in (left, right)]
        price += np.where(sides[0] != sides[1], np.inf if cents == BARRED else cents, 0)
    needed = [sum(1 << place[face] for face in own[lot]) for lot in lots]
    best = []
    for group in range(1 << len(lots)):
        bits = np.bitwise_or.reduce([0, *(need for lot, need in enumerate(needed) if group >> lot & 1)])
        best.append(price[inside & bits == bits].min())
    return np.array(best)


def least_cents_by_pieces(pieces: pd.DataFrame, lots: list[str]) -> int | None:
    """Try every set of pieces to build, and flood the faces from the habitat over what is left."""
    own, habitat = owners(pieces), habitat_faces(pieces)
    needed = set().union(*(own[lot] for lot in lots)) if lots else set()
    sides = list(zip(pieces["left_face"], pieces["right_face"], pieces["cost_cents"], strict=True))
    priced = [number for number, side in enumerate(sides) if side[2] > 0]
    best: int | None = None
    for count in range(len(priced) + 1):
        for built in combinations(priced, count):
            price = sum(sides[number][2] for number in built)
            if best is not None and price >= best:
                continue
            graph: nx.Graph = nx.Graph()
            graph.add_nodes_from(needed | habitat)
            graph.add_edges_from(side[:2] for number, side in enumerate(sides) if side[2] != 0 and number not in built)
            reached = set().union(*(nx.node_connected_component(graph, face) for face in habitat))
            if not reached & needed:
                best = price
    return best


def networkx_cents(pieces: pd.DataFrame, lots: list[str]) -> int | None:
    """Let networkx find the minimum cut between the habitat and the lots."""
    own, habitat = owners(pieces), habitat_faces(pieces)
    wide: dict[tuple[int, int], float] = {}
    for left, right, cents in zip(pieces["left_face"], pieces["right_face"], pieces["cost_cents"], strict=True):
        for ends in ((left, right), (right, left)):
            wide[ends] = wide.get(ends, 0) + (float("inf") if cents < 0 else cents)
    graph: nx.DiGraph = nx.DiGraph()
    graph.add_nodes_from(["habitat", "lots"])
    for (tail, head), cents in wide.items():
        graph.add_edge(tail, head, **({"capacity": int(cents)} if cents < float("inf") else {}))
    graph.add_edges_from(("habitat", face) for face in habitat)
    graph.add_edges_from((face, "lots") for lot in lots for face in own[lot])
    try:
        return int(nx.minimum_cut_value(graph, "habitat", "lots"))
    except nx.NetworkXUnbounded:
        return None


def closable_lots(pieces: pd.DataFrame) -> list[str]:
    """Flood from the habitat over every piece where nothing can be built; lots that stay dry can be closed."""
    barred = pieces[pieces["cost_cents"] == BARRED]
    graph: nx.Graph = nx.Graph()
    graph.add_nodes_from(habitat_faces(pieces))
    graph.add_edges_from(zip(barred["left_face"], barred["right_face"], strict=True))
    flooded = set().union(*(nx.node_connected_component(graph, face) for face in habitat_faces(pieces)))
    return sorted(lot for lot, faces in owners(pieces).items() if not faces & flooded)


def scored(pieces: pd.DataFrame, worth: list[float]) -> gpd.GeoDataFrame:
    """Give the lots a worth, in sorted order."""
    names = sorted(owners(pieces))
    return gpd.GeoDataFrame(
        {"parcel_id": names, "exposure": worth[: len(names)]}, geometry=[Point(0, 0)] * len(names), crs=32612
    )
