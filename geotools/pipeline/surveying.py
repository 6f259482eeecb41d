"""Make a blank field survey of the lots of a run, or of a parcel layer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import OutputError, PipelineError
from geotools.layers import read_inputs
from geotools.pipeline.earlier import read_earlier
from geotools.pipeline.inspecting import list_layers, read_layer, to_working
from geotools.steps import find_step

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["make_survey"]

_PREFILLED = ("walls", "gates", "footholds")
_UNITS = ("us", "metric")


def make_survey(
    out: Path,
    *,
    lots: str,
    inputs: Mapping[str, str] | None = None,
    options: Mapping[str, Mapping[str, Any]] | None = None,
    units: str = "us",
) -> dict[str, int]:
    """Write a field survey with the lots in it, and the walls, gates and footholds that are known.

    The planned gates of a run are in it as well, where its lots.gpkg has them.

    Parameters
    ----------
    out : pathlib.Path
        The GeoPackage to write; a file that is there is left alone.
    lots : str
        The folder of a run, whose inputs are taken, or a parcel layer.
    inputs : mapping of str to str, optional
        Sources of walls, gates and footholds, beside or instead of those of the run.
    options : mapping, optional
        Options of the layers, such as `{"parcels": {"id": "APN"}}`.
    units : str
        `us` or `metric`.

    Returns
    -------
    dict
        Number of features by layer.

    Raises
    ------
    GeotoolsError
        If a layer can't be read, or the file is there already or can't be written.

    Examples
    --------
    >>> make_survey(Path("pyproject.toml"), lots="lots.gpkg")
    Traceback (most recent call last):
    geotools.errors.OutputError: pyproject.toml: it is there already; name another file, so that no field work is lost
    """
    if units not in _UNITS:
        raise PipelineError(f"units are {units!r}", where="--units", mend="write 'us' or 'metric'")
    if out.exists():
        raise OutputError(
            "it is there already", where=str(out), mend="name another file, so that no field work is lost"
        )
    for name in inputs or {}:
        if name not in _PREFILLED:
            raise PipelineError(
                f"a survey takes no layer {name!r}", where="--input", mend=f"use {', '.join(_PREFILLED)}"
            )
    sources: dict[str, str] = {"parcels": lots}
    known: dict[str, Mapping[str, Any]] = {}
    working_crs = "auto"
    if Path(lots).is_dir():
        earlier = read_earlier(Path(lots))
        sources = {name: earlier.inputs[name] for name in ("parcels", *_PREFILLED) if name in earlier.inputs}
        known = {name: earlier.layer_options.get(name, {}) for name in sources}
        working_crs = earlier.settings["working_crs"]
    sources |= dict(inputs or {})
    known |= dict(options or {})
    read = read_inputs(sources, options={name: known.get(name, {}) for name in sources}, working_crs=working_crs)
    layers: dict[str, Any] = {name: read.layers[name] for name in sources}
    planned = _read_planned_gates(Path(lots) / "lots.gpkg", read.layers["parcels"].crs)
    if planned is not None:
        layers["planned_gates"] = planned
    unfinished = out.with_name(f".{out.stem}-unfinished{out.suffix}")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        find_step("write_survey").function(**layers, path=unfinished, units=units)
        unfinished.rename(out)
    except OSError as error:
        raise OutputError(
            f"it can't be written: {error.strerror}",
            where=str(out),
            mend="name a file in a folder that you may write to",
        ) from error
    finally:
        unfinished.unlink(missing_ok=True)
    return {("lots" if name == "parcels" else name): len(table) for name, table in layers.items()}


def _read_planned_gates(plan_file: Path, crs: Any) -> Any:
    """Planned gates of the lines that are advised, in metres; None where there are none."""
    if not plan_file.is_file() or "planned_gates" not in list_layers(plan_file):
        return None
    gates = to_working(read_layer(plan_file, "planned_gates"))
    return gates[gates["recommended"].astype(bool) & gates.geometry.notna()].to_crs(crs)
