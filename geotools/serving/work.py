"""Do one job in a process of its own: run the step, plan or command of a job folder and leave its results there."""

from __future__ import annotations

import json
import os
import sys
import traceback
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import GeotoolsError, LayerError, Noticed
from geotools.serving.offers import HEIGHT, PLAN_LAYERS, file_name_of, list_offers, media_type_of
from geotools.serving.record import REQUEST, RESULTS, change_record, problem, read_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from geotools.steps import Step

__all__ = ["do_job", "main"]

_ALL_DONE_PCT = 95
_GEOJSON = "application/geo+json"


def main() -> None:
    """Do the job whose folder is named on the command line; what happens is written into its record."""
    job = Path(sys.argv[1]).absolute()
    request = read_json(job / REQUEST)
    shared = request["folder"]
    os.chdir(shared or job)
    hide = [f"{job}/inputs/", f"{job}/", *([f"{shared}/"] if shared else [])]
    change_record(job, status="running", message="at work")
    try:
        outputs = do_job(request, job)
    except GeotoolsError as error:
        told = problem(400, "the request can't be used", _hidden(str(error), hide))
        told |= {name: _hidden(getattr(error, name), hide) for name in ("what", "where", "mend")}
        change_record(job, status="failed", message=told["detail"], problem=told)
    except Exception:  # noqa: BLE001 - whatever it is, it is our fault: the log of the job holds it, the client not
        traceback.print_exc()
        told = problem(500, "the toolkit failed", f"job {job.name} failed by a fault of the toolkit; its log says how")
        change_record(job, status="failed", message=told["detail"], problem=told)
    else:
        _hide_in_run_record(job / RESULTS / "run.json", hide)
        change_record(job, status="successful", message="done", progress=100, outputs=outputs)


def do_job(request: Mapping[str, Any], job: Path) -> dict[str, dict[str, Any]]:
    """Do what a request asks.

    Parameters
    ----------
    request : mapping
        `process`, and the `inputs` as `lay_down` gives them.
    job : pathlib.Path
        Folder of the job; results go to its folder `results`.

    Returns
    -------
    dict
        Output id to `file` (in `results`) and `media_type`.

    Raises
    ------
    GeotoolsError
        If an input can't be used.

    Examples
    --------
    >>> do_job({"process": "height", "inputs": {"options": {"body_length": "48 in"}}}, job)  # doctest: +SKIP
    """
    name, laid = request["process"], request["inputs"]
    if list_offers()[name] == "plan":
        return _run_plan(name, laid, job)
    return _run_step(name, laid, job)


def _run_plan(name: str, laid: Mapping[str, Any], job: Path) -> dict[str, dict[str, Any]]:
    import geopandas as gpd

    from geotools.pipeline import find_plan, read_plan, run_plan
    from geotools.pipeline.plan import change_plan

    def tell(work: str, number: int, total: int) -> None:
        change_record(job, message=work, progress=_ALL_DONE_PCT * (number - 1) // total)

    named = {**laid["settings"], **{f"design.{key}": value for key, value in laid["design"].items()}}
    plan = change_plan(
        read_plan(find_plan(name)),
        inputs=[f"{layer}={source}" for layer, source in laid["layers"].items()],
        settings=[f"{key}={json.dumps(value, ensure_ascii=False)}" for key, value in named.items()],
    )
    run_plan(plan, job / RESULTS, progress=tell)
    outputs = {
        path.name: {"file": path.name, "media_type": media_type_of(path.name)}
        for path in sorted((job / RESULTS).iterdir())
    }
    if "lots.gpkg" in outputs:
        for layer in PLAN_LAYERS:
            outputs[layer] = _write_table(gpd.read_file(job / RESULTS / "lots.gpkg", layer=layer), job, layer)
    return outputs


def _run_step(name: str, laid: Mapping[str, Any], job: Path) -> dict[str, dict[str, Any]]:
    from geotools.design import BarrierStandard
    from geotools.steps import find_step

    step = find_step("size_barrier" if name == HEIGHT else name)
    options = step.check_options(laid["options"], where="inputs")
    if step.takes_standard:
        options["standard"] = BarrierStandard.from_table(laid["design"])
    (job / RESULTS).mkdir()
    if step.makes_file:
        file = file_name_of(name)
        options["path"] = job / RESULTS / file
    tables = _read_tables(step, laid)
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("ignore")
        warnings.simplefilter("always", Noticed)
        result = step.function(**tables, **options)
    if heard:
        change_record(job, notices=list(dict.fromkeys(str(one.message) for one in heard)))
    if step.makes_file:
        return {"result": {"file": file, "media_type": media_type_of(file)}}
    if name == HEIGHT:
        return {"result": _write_json(result.iloc[0].to_dict(), job, "result")}
    return {"result": _write_table(result, job, "result")}


def _read_tables(step: Step, laid: Mapping[str, Any]) -> dict[str, Any]:
    """Read the layers of a step into one working CRS; tables without shapes become plain tables."""
    import numpy as np
    from pyproj import CRS

    from geotools.crs import check_working_crs, choose_working_crs
    from geotools.layers.preparing import prepare_layer
    from geotools.layers.reading import is_raster
    from geotools.layers.schema import layer_schema
    from geotools.layers.vector import finite_bounds, read_vector
    from geotools.rasters import open_raster
    from geotools.serving.tables import LONLAT, move_table, read_features, read_rows

    tables: dict[str, Any] = dict.fromkeys((name for name, needed in step.layers.items() if not needed), None)
    raw, shaped = {}, {}
    for name, source in laid["layers"].items():
        if is_raster(name, source):
            tables[name] = open_raster(source, name)
        else:
            raw[name] = read_vector(source, layer_schema(name, others=[name]), {})
    for name, content in laid["rows"].items():
        if isinstance(content, dict):
            shaped[name] = read_features(content, where=f"inputs.{name}")
        else:
            tables[name] = read_rows(content, where=f"inputs.{name}")
    lonlat = CRS(LONLAT)
    boxes = [(one.bounds, one.crs) for one in raw.values()]
    boxes += [(finite_bounds(one.geometry.to_numpy()), lonlat) for one in shaped.values()]
    boxes = [(bounds, crs) for bounds, crs in boxes if np.isfinite(bounds).all()]
    if raw and not boxes:
        raise LayerError("no layer has a usable shape", where="inputs", mend="give at least one feature with a shape")
    if boxes:
        first = (raw["parcels"].bounds, raw["parcels"].crs) if "parcels" in raw else boxes[0]
        working = choose_working_crs(*first)
        for bounds, crs in boxes:
            check_working_crs(working, bounds, crs)
        for name, one in raw.items():
            schema = layer_schema(name, others=[name])
            tables[name] = prepare_layer(one, schema, working, keep_rows=name == "parcels").layer
        for name, table in shaped.items():
            tables[name] = move_table(table, working)
    else:
        tables |= shaped
    return tables


def _write_table(table: Any, job: Path, name: str) -> dict[str, Any]:
    from geotools.serving.tables import table_as_json

    content = table_as_json(table)
    if isinstance(content, list):
        return _write_json(content, job, name)
    return {**_write_json(content, job, name, suffix=".geojson"), "media_type": _GEOJSON}


def _write_json(content: Any, job: Path, name: str, *, suffix: str = ".json") -> dict[str, Any]:
    path = job / RESULTS / f"{name}{suffix}"
    path.write_text(json.dumps(content, ensure_ascii=False, allow_nan=False), encoding="utf-8")
    return {"file": path.name, "media_type": "application/json"}


def _hidden(text: str, places: list[str]) -> str:
    """The same text without the folders of this machine."""
    for place in places:
        text = text.replace(place, "")
    return text


def _hide_in_run_record(path: Path, places: list[str]) -> None:
    if path.is_file():
        path.write_text(_hidden(path.read_text(encoding="utf-8"), places), encoding="utf-8")


if __name__ == "__main__":
    main()
