"""Hold kernels and exact areas against published values, integrals and brute force."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from affine import Affine

from geotools.exposure.measures import habitat_around, quartic_density, weigh_cells


@pytest.mark.published("quartic kernel, Silverman 1986 p. 76: formula from memory, values derived from it")
@pytest.mark.parametrize(("radius_m", "peak_per_m2"), [(100.0, 9.5493e-5), (150.0, 4.2441e-5), (300.0, 1.0610e-5)])
def test_published_quartic_kernel(radius_m: float, peak_per_m2: float) -> None:
    peak, half, rim = quartic_density([[0, 0], [radius_m / 2, 0], [radius_m, 0]], [[0, 0]], radius_m=radius_m)
    assert peak / 1e4 == pytest.approx(peak_per_m2, rel=1e-4)
    assert half / peak == pytest.approx(0.5625)
    assert rim == 0


def test_quartic_density_of_one_record_integrates_to_one() -> None:
    step_m = 2.0
    x, y = np.meshgrid(np.arange(-101, 101, step_m), np.arange(-101, 101, step_m))
    density = quartic_density(np.column_stack([x.ravel(), y.ravel()]), [[0.3, 0.7]], radius_m=100.0)
    # A sum over cells of 2 m of a smooth kernel of 100 m.
    assert (density / 1e4).sum() * step_m**2 == pytest.approx(1, abs=1e-4)


def test_quartic_density_adds_up_with_weights() -> None:
    records = np.array([[0, 0], [30, 40], [500, 0]])
    place = [[10.0, 5.0]]
    each = [quartic_density(place, [record], radius_m=80.0)[0] for record in records]
    assert quartic_density(place, records, radius_m=80.0, weights=[1, 2, 3])[0] == pytest.approx(each[0] + 2 * each[1])
    assert quartic_density(place, np.zeros((0, 2)), radius_m=80.0).tolist() == [0]


def test_cells_are_weighed_by_their_exact_part() -> None:
    rng = np.random.default_rng(3)
    shapes = np.array([shapely.Point(*rng.uniform(5, 25, 2)).buffer(rng.uniform(1, 4)) for _ in range(4)])
    parts = shapely.get_parts(shapely.union_all([*shapes, shapely.box(26, 2, 28, 20), shapely.box(1, 1, 3, 2)]))
    values = rng.uniform(0.2, 1, len(parts))
    found = weigh_cells(parts, values, Affine(2, 0, 0, 0, -2, 30), (15, 15))
    for row in range(15):
        for column in range(15):
            cell = shapely.box(2 * column, 28 - 2 * row, 2 * column + 2, 30 - 2 * row)
            exact = sum(cell.intersection(part).area * value for part, value in zip(parts, values, strict=True)) / 4
            assert found[row, column] == pytest.approx(exact, abs=1e-9)


def test_straight_edge_of_endless_desert_is_half_and_none_is_nothing() -> None:
    lots = np.array([shapely.box(-0.5, -0.5, 0.5, 0.5), shapely.box(-0.5, 900, 0.5, 901)])
    desert = np.array([shapely.box(-2000, -2000, 2000, 0)])
    found = habitat_around(lots, desert, np.ones(1), decay_m=100.0, reach_m=300.0, cell_m=5.0)
    assert found == pytest.approx([0.5, 0.0], abs=1e-6)


def test_amount_of_habitat_against_a_sum_over_fine_cells() -> None:
    lot = shapely.box(0, 0, 20, 40)
    desert = np.array([shapely.Point(60, 90).buffer(70), shapely.box(-200, -100, -60, 10)])
    found = habitat_around(np.array([lot]), desert, np.array([1.0, 0.5]), decay_m=80.0, reach_m=240.0, cell_m=4.0)
    step = np.arange(-240, 241, 2.0)
    away = np.hypot(*np.meshgrid(step, step))
    weight = np.where(away <= 240, np.exp(-away / 80), 0)
    total = []
    for x in np.arange(2, 20, 4.0):
        for y in np.arange(2, 40, 4.0):
            east, north = np.meshgrid(x + step, y + step)
            part = [shapely.contains_xy(shape, east.ravel(), north.ravel()).reshape(east.shape) for shape in desert]
            total.append((weight * (part[0] + 0.5 * part[1])).sum() / weight.sum())
    # The grid has cells of 4 m, the sum points every 2 m.
    assert found[0] == pytest.approx(np.mean(total), abs=0.005)
    assert 0.1 < found[0] < 0.6
