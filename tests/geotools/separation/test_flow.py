"""Minimum cuts against published optima, networkx, and the range of whole numbers."""

from __future__ import annotations

import bz2
import pickle
from typing import TYPE_CHECKING

import igraph
import networkx as nx
import numpy as np
import pytest
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_flow

from geotools.errors import LayerError
from geotools.separation._flow import LARGEST, Network, min_cut

if TYPE_CHECKING:
    from collections.abc import Callable


@pytest.mark.published(
    "max-flow instances in the networkx wheel, algorithms/flow/tests; optima as its own tests state them"
)
@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(("name", "optimum"), [("gl1", 156545), ("gw1", 1202018), ("wlm3", 11875108)])
def test_published_instances(packaged: Callable[[str, str], str], name: str, optimum: int, backwards: bool) -> None:
    with bz2.open(packaged("networkx", f"flow/tests/{name}.gpickle.bz2")) as file:
        graph = pickle.load(file)  # noqa: S301  (a file of the installed package)
    number = {node: at for at, node in enumerate(graph)}
    arcs = [(number[tail], number[head], data["capacity"]) for tail, head, data in graph.edges(data=True)]
    tail, head, capacity = (np.array(column) for column in zip(*arcs, strict=True))
    network = Network(len(number), tail, head, capacity, backwards=backwards)
    cut = network.cut(number[1], number[len(number)])
    assert cut.flow == cut.price == optimum


def test_against_networkx_and_scipy_on_random_networks() -> None:
    for seed in range(30):
        rng = np.random.default_rng(seed)
        one, other = rng.integers(0, 12, (2, 40))
        cost = rng.integers(0, 50, 40)
        cut = min_cut(12, one, other, cost, 0, 11)
        graph = nx.Graph()
        graph.add_nodes_from(range(12))
        wide = np.zeros((12, 12), dtype=np.int32)
        for tail, head, cents in zip(one.tolist(), other.tolist(), cost.tolist(), strict=True):
            if tail != head:
                wide[tail, head] += cents
                wide[head, tail] += cents
                graph.add_edge(
                    tail, head, capacity=graph.get_edge_data(tail, head, {"capacity": 0})["capacity"] + cents
                )
        assert cut.flow == nx.minimum_cut_value(graph, 0, 11)
        assert cut.flow == maximum_flow(csr_array(wide), 0, 11).flow_value


def test_against_igraph_on_random_planar_networks() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        places = shapely.multipoints(rng.uniform(0, 100, (80, 2)))
        ends = shapely.get_coordinates(shapely.get_parts(shapely.delaunay_triangles(places, only_edges=True)))
        node = np.unique(ends, axis=0, return_inverse=True)[1].reshape(-1, 2)
        cost = rng.integers(1, 1000, len(node))
        graph = igraph.Graph(80, node.tolist())
        wanted = graph.mincut(0, 79, capacity=cost.tolist())
        cut = min_cut(80, *node.T, cost, 0, 79)
        assert cut.flow == round(wanted.value)
        # The least source side lies within every other minimum cut's.
        assert set(np.flatnonzero(cut.outside).tolist()) <= set(wanted.partition[0])


def test_of_several_cuts_the_least_source_side() -> None:
    # A chain of equal links: each of them is a minimum cut; the first is nearest to the source.
    cut = min_cut(4, np.array([0, 1, 2]), np.array([1, 2, 3]), np.array([7, 7, 7]), 0, 3)
    assert cut.outside.tolist() == [True, False, False, False]
    back = Network(4, np.array([0, 1, 2]), np.array([1, 2, 3]), np.array([7, 7, 7]), backwards=True).cut(0, 3)
    assert back.outside.tolist() == [True, False, False, False]


def test_no_way_at_all_costs_nothing_and_keeps_all_ground_inside() -> None:
    cut = min_cut(4, np.array([0, 2]), np.array([1, 3]), np.array([7, 7]), 0, 3)
    assert (cut.flow, cut.outside.tolist()) == (0, [True, True, False, False])


def test_large_capacities_are_exact() -> None:
    # 2^33 wraps to 0 in 32 bits: the answer must still be whole.
    assert min_cut(3, np.array([0, 1]), np.array([1, 2]), np.array([2**33, 2**34]), 0, 2).flow == 2**33
    most = LARGEST // 2
    assert min_cut(3, np.array([0, 1]), np.array([1, 2]), np.array([most, 1]), 0, 2).flow == 1
    assert min_cut(2, np.array([0]), np.array([1]), np.array([most]), 0, 1).flow == most


@pytest.mark.parametrize(
    ("cost", "text"),
    [
        (np.array([LARGEST, 1]), "more than can be counted exactly"),
        (np.array([2**62, 2**62]), "more than can be counted exactly"),
        (np.array([3, -2]), "a cost is -2 cents"),
        (np.array([1.7, 2.0]), "not whole cents"),
    ],
)
def test_costs_that_can_not_be_counted_are_refused(cost: np.ndarray, text: str) -> None:
    with pytest.raises(LayerError, match=text):
        min_cut(3, np.array([0, 1]), np.array([1, 2]), cost, 0, 2)
