"""Write the frontier of cost and protection as a table and a drawing, and further tables as plain text."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd

from geotools.errors import OutputError
from geotools.outputs.display import clean_text, show_table
from geotools.outputs.tables import guard_text

__all__ = ["draw_frontier", "write_frontier_table", "write_plain_table"]

_INK, _LINE, _CHOSEN = "#2b2b2b", "#0a4fa3", "#c8002b"
_SIZE_IN = (7.5, 5.0)
_DOTS_PER_IN = 120


def write_frontier_table(frontier: pd.DataFrame, *, path: Path) -> None:
    """Write the frontier as CSV: one row per break point, costs in dollars.

    Parameters
    ----------
    frontier : DataFrame
        From `trace_frontier`.
    path : pathlib.Path
        The file to write.

    Raises
    ------
    OutputError
        If the file can't be written.

    Examples
    --------
    >>> write_frontier_table(frontier, path=Path("frontier.csv"))  # doctest: +SKIP
    """
    shown = pd.DataFrame(
        {
            "point": frontier["point"],
            "budget_usd": frontier["cost_cents"] / 100,
            "protection": frontier["worth"].round(3),
            "protection_pct": frontier["worth_pct"].round(3),
            "lots": frontier["lots"],
            "usd_per_point": (frontier["price_cents"] / 100).round(4),
            "lots_added": [guard_text(clean_text(names)) for names in frontier["lots_added"]],
        }
    )
    _write(path, shown.to_csv(index=False, lineterminator="\r\n", float_format="%.12g").encode("utf-8"))


def draw_frontier(
    frontier: pd.DataFrame,
    chosen_lots: pd.DataFrame | None = None,
    *,
    path: Path,
    title: str = "Protection against budget",
) -> None:
    """Draw protection against budget: the break points, the line between them, and what the budget buys.

    Parameters
    ----------
    frontier : DataFrame
        From `trace_frontier`.
    chosen_lots : DataFrame, optional
        From `choose_lots`; its cost and worth are marked.
    path : pathlib.Path
        The PNG file to write.
    title : str
        Title of the drawing.

    Raises
    ------
    OutputError
        If the file can't be written.

    Examples
    --------
    >>> draw_frontier(frontier, path=Path("frontier.png"))  # doctest: +SKIP
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    figure = Figure(figsize=_SIZE_IN, dpi=_DOTS_PER_IN, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    cost_usd = frontier["cost_cents"].to_numpy(dtype=np.float64) / 100
    axes.plot(
        cost_usd,
        frontier["worth_pct"],
        color=_LINE,
        linewidth=1.8,
        marker="o",
        markersize=3.5,
        label="Best sets of lots",
    )
    chosen = {} if chosen_lots is None else chosen_lots.attrs.get("run_record", {}).get("budget", {})
    most = float(frontier["worth"].iloc[-1])
    full = float(frontier["worth_pct"].iloc[-1])
    if chosen.get("budget_cents") is not None and most > 0:
        axes.axvline(chosen["budget_cents"] / 100, color=_CHOSEN, linewidth=1.2, linestyle=(0, (5, 3)), label="Budget")
        axes.plot(
            [chosen["cost_cents"] / 100], [chosen["worth"] / most * full], color=_CHOSEN, marker="D", markersize=8,
            linestyle="none", label="Chosen for the budget",
        )  # fmt: skip
    axes.set_xlim(left=0)
    axes.set_ylim(0, 105)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"${value:,.0f}"))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}%"))
    axes.set_xlabel("Cost of the barrier, at the given prices")
    axes.set_ylabel("Exposure protected, of all lots that can be closed")
    axes.set_title(title.replace("$", r"\$"), color=_INK, loc="left")
    axes.grid(color="#d8d5cf", linewidth=0.6)
    axes.legend(loc="lower right", frameon=False)
    drawing = io.BytesIO()
    figure.savefig(drawing, format="png", metadata={"Software": None})
    _write(path, drawing.getvalue())


def write_plain_table(table: pd.DataFrame, *, path: Path, units: str = "us") -> None:
    """Write any table as CSV: lengths in the units that are shown, cents as dollars, geometry left out.

    Parameters
    ----------
    table : DataFrame
        Lengths in metres in columns that end in `_m`, whole cents in columns that end in `_cents`.
    path : pathlib.Path
        The file to write.
    units : str
        `us` (feet and inches) or `metric`.

    Raises
    ------
    OutputError
        If the table can't be shown, or the file can't be written.

    Examples
    --------
    >>> write_plain_table(alternates, path=Path("alternates.csv"))  # doctest: +SKIP
    """
    plain = pd.DataFrame(table).copy()
    for name in [name for name in plain.columns if str(name).endswith("_cents")]:
        plain[name] = plain[name].astype("Float64") / 100
    plain = plain.rename(
        columns={name: f"{str(name).removesuffix('_cents')}_usd" for name in plain if str(name).endswith("_cents")}
    )
    shown = show_table(plain, units=units)
    for name in shown.select_dtypes(include=[object]).columns:
        shown[name] = [guard_text(value) for value in shown[name]]
    _write(path, shown.to_csv(index=False, lineterminator="\r\n", float_format="%.12g").encode("utf-8"))


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise OutputError(
            f"the file can't be written ({error})", where=str(path), mend="choose a folder that can be written to"
        ) from error
