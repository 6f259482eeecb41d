"""Give the toolkit its command line; heavy imports wait until a command runs."""

from __future__ import annotations

import json
import re
import sys
import time
import traceback
from pathlib import Path
from typing import Any

import click

from geotools.errors import GeotoolsError

__all__ = ["main"]

_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 110}
_LENGTH = "LENGTH"
_UNSEEN = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""Signs by which a text in the data could steer the terminal, or read as another."""
_SIGNS_OF_MEMORY = ("bad_alloc", "failed to map segment", "Cannot allocate memory")
"""In the words of libraries that have no error of their own for it."""
_OUT_OF_MEMORY = (
    "the memory of this machine is used up; an earlier result is as it was; do the run in smaller tiles "
    "(--set tiles.lots=1000), or where there is more memory"
)


@click.group(context_settings=_CONTEXT)
@click.version_option(package_name="bajada")
def commands() -> None:
    """Plan rattlesnake exclusion barriers for whole subdivisions.

    \b
    Example:
      bajada run screen --input parcels=lots.gpkg --input open_desert=desert.geojson --set parcels.id=APN
    """


@commands.command()
@click.argument("pipeline", required=False)
@click.option(
    "--input",
    "inputs",
    multiple=True,
    metavar="LAYER=SOURCE",
    help="A layer to use; one of these replaces all inputs of the pipeline.",
)
@click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="NAME=VALUE",
    help="Change a value: units, design.NAME, LAYER.NAME or STEP.OPTION.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder for the results; default maps/PIPELINE."
)
@click.option(
    "--engine",
    type=click.Choice(["local", "dask"]),
    default="local",
    show_default=True,
    help="Where the tiles of a plan with [tiles] are done: here one by one, or on dask workers.",
)
@click.option("--scheduler", metavar="ADDRESS", help="A running dask scheduler; without it, workers start here.")
@click.option("--workers", type=click.IntRange(min=1), metavar="N", help="Processes here; without it, one a core.")
@click.option(
    "--again",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="RUN.json",
    help="Do an earlier run once more from its record, and say what differs.",
)
@click.option("--resume", is_flag=True, help="Keep the tiles that a killed run of the same plan has finished.")
@click.option("--quiet", is_flag=True, help="Show no progress.")
def run(
    pipeline: str | None,
    inputs: tuple[str, ...],
    settings: tuple[str, ...],
    out: Path | None,
    engine: str,
    scheduler: str | None,
    workers: int | None,
    again: Path | None,
    resume: bool,
    quiet: bool,
) -> None:
    """Run a PIPELINE: one that comes with the toolkit, by name, or a .toml file of your own.

    \b
    Example:
      bajada run screen --input parcels=lots.gpkg#parcels --input washes=washes.zip \\
        --set parcels.id=APN --set design.body_length="48 in" --out maps/screen
    """
    from geotools.pipeline import find_plan, read_plan, run_plan
    from geotools.pipeline.earlier import read_earlier, read_record, what_changed
    from geotools.pipeline.plan import change_plan

    if (pipeline is None) == (again is None):
        raise GeotoolsError(
            "no pipeline and no earlier run is named" if again is None else "a pipeline and --again are both named",
            where="run",
            mend="name one of them, such as: bajada run screen",
        )
    earlier = None if again is None else read_record(again)
    plan = read_plan(find_plan(str(pipeline))) if again is None else read_earlier(again, as_asked=True)
    plan = change_plan(plan, inputs=inputs, settings=settings)
    folder = out or Path("maps") / (plan.name if earlier is None else f"{plan.name}-again")
    progress = None if quiet else _Progress()
    record = run_plan(
        plan, folder, engine=engine, scheduler=scheduler, workers=workers, resume=resume, progress=progress
    )
    changes = [] if earlier is None else what_changed(earlier, record)
    if quiet:
        return
    came, went, rejected = (record["counts"][name] for name in ("parcels_in", "parcels_out", "rejected"))
    click.echo(f"{came:,} parcels in, {went:,} out, {rejected:,} features in 'rejected'")
    for kind in ("assumptions", "warnings"):
        for text in record[kind]:
            click.echo(_UNSEEN.sub("", f"{kind.removesuffix('s')}: {text}"))
    for text in changes:
        click.echo(f"since then: {text}")
    if earlier is not None and not changes:
        click.echo("since then: nothing differs, and all files are the same, byte for byte")
    shown = "map.html" if "map.html" in record["outputs"] else "run.json"
    click.echo(f"done: {(folder / shown).absolute()}")


@commands.command()
@click.argument("sources", nargs=-1, required=True, metavar="[LAYER=]SOURCE...")
@click.option(
    "--set", "settings", multiple=True, metavar="LAYER.NAME=VALUE", help="A layer's own option, such as parcels.id=APN."
)
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.option("--quiet", is_flag=True, help="Print errors only.")
def check(sources: tuple[str, ...], settings: tuple[str, ...], as_json: bool, quiet: bool) -> None:
    """Say what is wrong with data before a run. Exit status 2 if a run would stop.

    \b
    Example:
      bajada check parcels=lots.gpkg#parcels washes.zip --set parcels.id=APN
    """
    from geotools.findings import format_findings
    from geotools.layers import LAYERS, check_source

    options = _layer_settings(settings)
    findings = []
    for text in sources:
        name, equals, source = text.partition("=")
        named = bool(equals) and name in LAYERS
        layer = name if named else None
        findings += check_source(source if named else text, name=layer, options=options.get(name, {}) if named else {})
    if quiet:
        findings = [finding for finding in findings if finding.severity == "error"]
    if as_json:
        from dataclasses import asdict

        click.echo(json.dumps([asdict(finding) for finding in findings], indent=2, ensure_ascii=False))
    else:
        for line in format_findings(findings):
            click.echo(_UNSEEN.sub("", line))
        if not quiet and not any(finding.severity in ("error", "warning") for finding in findings):
            click.echo("nothing found wrong")
    if any(finding.severity == "error" for finding in findings):
        sys.exit(2)


@commands.command()
@click.argument("step", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print process descriptions (OGC API - Processes, Part 1).")
@click.option("--quiet", is_flag=True, help="Print names only.")
def steps(step: str | None, as_json: bool, quiet: bool) -> None:
    """List the installed steps, or describe one STEP.

    \b
    Example:
      bajada steps score_exposure --json
    """
    from geotools.steps import describe_step, find_step, list_steps

    if quiet or (step is None and not as_json):
        for name, claims in list_steps().items():
            owner = " and ".join(sorted({entry.dist.name for entry in claims if entry.dist}))
            click.echo(name if quiet else f"{name:28} {owner}")
        return
    if step is None:
        click.echo(json.dumps([describe_step(find_step(name)) for name in list_steps()], indent=2, ensure_ascii=False))
        return
    description = describe_step(find_step(step))
    if as_json:
        click.echo(json.dumps(description, indent=2, ensure_ascii=False))
        return
    click.echo(f"{description['id']}: {description['title']}\n\n{description['description']}\n")
    for name, entry in description["inputs"].items():
        schema = entry["schema"]
        default = (
            f" [default {schema['default']}]" if "default" in schema else " [needed]" if entry["minOccurs"] else ""
        )
        click.echo(f"  {name}{default}: {entry['description']}")


@commands.command()
@click.option(
    "--body-length", metavar=_LENGTH, help="Design animal, nose to tail without the rattle.  [default: 60 in]"
)
@click.option("--region", metavar="NAME", help="Design animal of a region instead, such as 'low desert'.")
@click.option("--buffer", default="6 in", show_default=True, metavar=_LENGTH, help="Buffer above its braced reach.")
@click.option("--fence", metavar=_LENGTH, help="Height of a given fence: what is it good for?")
@click.option("--foothold", metavar="HEIGHT@DISTANCE", help="A climbable thing outside, such as 18in@2ft.")
@click.option("--slope", metavar="ANGLE", help="Rise of the ground outside, such as 30deg.")
@click.option("--species", metavar="NAMES", help="Share of adults kept out: species such as atrox,scutulatus, or all.")
@click.option("--meshes", is_flag=True, help="Rank common meshes against the smallest newborn.")
@click.option(
    "--plot",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="OUT.png",
    help="Draw the share kept out against height.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--quiet", is_flag=True, help="Print the specified height in inches only.")
def height(
    body_length: str | None,
    region: str | None,
    buffer: str,
    fence: str | None,
    foothold: str | None,
    slope: str | None,
    species: str | None,
    meshes: bool,
    plot: Path | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Say how high a barrier must be for an animal, and which animals a given fence keeps out.

    \b
    Example:
      bajada height --body-length 48in --fence 24in --foothold 18in@2ft --slope 30deg --species atrox --plot shares.png
    """
    from geotools.steps import find_step

    body_length = _design_animal(body_length, region)
    options = {"body_length": body_length, "buffer": buffer, "fence": fence or ""}
    more = {"foothold": foothold or "", "slope": slope or "", "species": species or ""}
    answer = find_step("size_barrier").function(**options, **more).iloc[0].to_dict()
    if plot is not None:
        find_step("draw_shares").function(path=plot, species=_named(species), **options)
    if quiet:
        click.echo(f"{answer['specified_height_in']:g}")
    elif as_json:
        click.echo(json.dumps(answer, indent=2))
    else:
        needed, specified = answer["height_in"], answer["specified_height_in"]
        click.echo(f"height for a {body_length} animal: {needed:.4g} in; build {specified:g} in")
        built = f"a {fence} fence" if fence else f"{answer['specified_height_in']:g} in"
        click.echo(f"{built} keeps out animals up to {answer['excludes_body_length_in']:.4g} in long")
        if foothold:
            click.echo(f"foothold {foothold}: keep it {answer['setback_in']:.4g} in away from {built},")
            click.echo(f"or build at least {answer['local_height_in']:.4g} in high there")
        if slope:
            click.echo(f"where the ground outside rises at {slope}: at least {answer['slope_height_in']:.4g} in")
        if species:
            _tell_shares(built, fence or f"{answer['specified_height_in']:g} in", species, buffer)
        if meshes:
            _tell_meshes(species)
        if plot is not None:
            click.echo(f"drawn: {plot}")
        click.echo("No barrier is a guarantee. Local codes come first.")


@commands.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="NUMBER", help="Port; a free one without it.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@click.option("--quiet", is_flag=True, help="Print the address alone.")
def view(folder: Path, port: int, no_browser: bool, quiet: bool) -> None:
    r"""Show the map of the finished run in DIR, from this machine only; a new run shows by itself.

    \b
    Example:
      bajada view maps/screen
    """
    from geotools.viewing import serve_run

    for address in serve_run(folder, port=port, browser=not no_browser):
        click.echo(address if quiet else f"{address} shows {folder}; stop with Ctrl+C")


@commands.command()
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), metavar="OUT.gpkg")
@click.option("--lots", required=True, metavar="DIR|SOURCE", help="The folder of a run, or a parcel layer.")
@click.option(
    "--input", "inputs", multiple=True, metavar="LAYER=SOURCE", help="Walls, gates or footholds that are known already."
)
@click.option(
    "--set", "settings", multiple=True, metavar="LAYER.NAME=VALUE", help="A layer's own option, such as parcels.id=APN."
)
@click.option("--units", type=click.Choice(["us", "metric"]), default="us", show_default=True, help="Units of lengths.")
@click.option("--quiet", is_flag=True, help="Print nothing.")
def survey(out: Path, lots: str, inputs: tuple[str, ...], settings: tuple[str, ...], units: str, quiet: bool) -> None:
    r"""Make a blank field survey OUT.gpkg, with the lots and what is known of walls, gates and footholds.

    Columns take only values that can be; what is measured replaces what was assumed when the survey is read back.

    \b
    Example:
      bajada survey field.gpkg --lots maps/screen
      bajada run screen --input parcels=lots.gpkg --input surveyed_walls=field.gpkg#walls ...
    """
    from geotools.pipeline.surveying import make_survey

    sources: dict[str, str] = {}
    for text in inputs:
        name, equals, source = text.partition("=")
        if not (name and equals and source):
            raise GeotoolsError(f"{text!r} is not LAYER=SOURCE", where="--input", mend="write --input walls=FILE")
        sources[name] = source
    counts = make_survey(out, lots=lots, inputs=sources, options=_layer_settings(settings), units=units)
    if not quiet:
        click.echo(f"{out}: " + ", ".join(f"{count:,} {name}" for name, count in counts.items()))


@commands.command()
@click.argument("plan", type=click.Path(path_type=Path), metavar="PLAN.gpkg")
@click.argument("as_built", metavar="ASBUILT")
@click.option("--snap", default="5 ft", show_default=True, metavar=_LENGTH, help="A place this near lies on the plan.")
@click.option("--tolerance", default="0.5 in", show_default=True, metavar=_LENGTH, help="So much too low still passes.")
@click.option(
    "--spacing", default="12 ft", show_default=True, metavar=_LENGTH, help="Measured points this near are neighbours."
)
@click.option("--out", type=click.Path(path_type=Path), default="maps/inspection", show_default=True, metavar="DIR")
@click.option("--date", "date_of_data", default="", metavar="TEXT", help="Date of the measurement, for the report.")
@click.option("--quiet", is_flag=True, help="Print nothing.")
def inspect(
    plan: Path, as_built: str, snap: str, tolerance: str, spacing: str, out: Path, date_of_data: str, quiet: bool
) -> None:
    r"""Hold what was built (points or lines with heights) against the PLAN.gpkg of a run: stretches and a punch list.

    \b
    Example:
      bajada inspect maps/screen/lots.gpkg posts.gpkg --tolerance "1 in" --out maps/inspection
    """
    from geotools.pipeline.inspecting import inspect_plan

    told = inspect_plan(plan, as_built, out, snap=snap, tolerance=tolerance, spacing=spacing, date_of_data=date_of_data)
    if quiet:
        return
    click.echo(f"{told['lines_passed']} of {told['lines']} lines pass; {told['stops']} stops on the punch list")
    if told["lots"] is not None:
        click.echo(f"{told['lots_closed']} of {told['lots']} lots with a line are closed as built")
    for text in told["told"]:
        click.echo(f"warning: {text}")
    click.echo(f"done: {(out / 'inspection.pdf').absolute()}")


@commands.command()
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False), metavar="OUT.yml")
@click.option("--jobs", type=click.Path(path_type=Path), default="jobs", show_default=True, metavar="DIR")
@click.option("--folder", type=click.Path(path_type=Path), metavar="DIR", help="Folder whose files a request may name.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen at.")
@click.option("--port", type=click.IntRange(1, 65535), default=5000, show_default=True, metavar="NUMBER")
@click.option("--url", default="", help="Address as clients see it; host and port without it.")
@click.option("--process", "processes", multiple=True, metavar="ID", help="Offer this one; all without it.")
@click.option("--quiet", is_flag=True, help="Print nothing.")
def offer(
    out: Path,
    jobs: Path,
    folder: Path | None,
    host: str,
    port: int,
    url: str,
    processes: tuple[str, ...],
    quiet: bool,
) -> None:
    r"""Make OUT.yml, which offers steps and plans as processes (OGC API - Processes, Part 1), for `bajada serve`.

    \b
    Example:
      bajada offer offer.yml --folder layers --process screen --process height
    """
    from geotools.serving import make_config, write_config

    config = make_config(jobs=jobs, folder=folder, host=host, port=port, url=url, processes=processes)
    write_config(out, config)
    if not quiet:
        click.echo(f"{out}: {len(config['resources'])} processes; start with: bajada serve {out}")


@commands.command()
@click.argument("config", type=click.Path(path_type=Path, dir_okay=False), metavar="OFFER.yml")
@click.option("--quiet", is_flag=True, help="Print the address alone.")
def serve(config: Path, quiet: bool) -> None:
    r"""Serve the processes of OFFER.yml; from this machine only, unless it says otherwise.

    \b
    Example:
      bajada serve offer.yml
    """
    from geotools.serving.service import serve_processes

    for address in serve_processes(config, quiet=quiet):
        click.echo(address if quiet else f"{address} offers processes; stop with Ctrl+C")


def _design_animal(body_length: str | None, region: str | None) -> str:
    """Body length as given, else of the region, else the default of the toolkit."""
    from geotools.steps import find_step

    if body_length or not region:
        return body_length or "60 in"
    animals = find_step("list_design_animals").function().set_index("region")
    if region.casefold() not in animals.index:
        names = "; ".join(animals.index)
        raise GeotoolsError(f"there is no region {region!r}", where="--region", mend=f"use one of: {names}")
    return f"{animals.at[region.casefold(), 'body_length_in']:g} in"


def _named(species: str | None) -> str:
    return "" if species is None or species.strip() == "all" else species


def _tell_shares(built: str, height_text: str, species: str, buffer: str) -> None:
    from geotools.steps import find_step

    shares = find_step("share_excluded").function(species=_named(species), heights=height_text, buffer=buffer)
    for row in shares.to_dict("records"):
        click.echo(f"{built} keeps out about {row['share_excluded_pct']:.3g} % of adult {row['species']}")
        for name in ("mean", "sd", "longest"):
            click.echo(f"  {name} {row[f'{name}_in']:.3g} in: {row[f'{name}_status']}")


def _tell_meshes(species: str | None) -> None:
    from geotools.steps import find_step

    for row in find_step("rank_meshes").function(species=_named(species)).to_dict("records"):
        told = f": {row['remark']}" if row["remark"] else ""
        click.echo(f"{row['rank']}. {row['mesh']}, {row['clear_opening_mm']:.2f} mm clear: {row['judgement']}{told}")


class _Progress:
    """Progress on standard error: one line that is written over on a terminal, plain lines elsewhere."""

    def __init__(self) -> None:
        self.started = time.monotonic()
        self.terminal = sys.stderr.isatty()

    def __call__(self, name: str, number: int, total: int) -> None:
        spent = time.monotonic() - self.started
        if not self.terminal:
            click.echo(f"{number}/{total} {name}", err=True)
            return
        left = f", about {spent / (number - 1) * (total - number + 1):.0f} s left" if number > 1 else ""
        end = "\n" if number == total else ""
        click.echo(f"\r\x1b[K{number}/{total} {name}{left}{end}", err=True, nl=False)


def _layer_settings(settings: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    options: dict[str, dict[str, Any]] = {}
    for text in settings:
        name, equals, value = text.partition("=")
        layer, dot, key = name.partition(".")
        if not (equals and dot and layer and key and value):
            raise GeotoolsError(f"{text!r} is not LAYER.NAME=VALUE", where="--set", mend="write --set parcels.id=APN")
        options.setdefault(layer, {})[key] = (
            int(value) if value.isascii() and value.isdigit() and value == str(int(value)) else value
        )
    return options


def _tell_refusal(error: click.ClickException) -> None:
    """Tell what was wrong with the words of a command, and how to mend it."""
    words = sys.argv[1:]
    for option, shape in (("--input", "LAYER=SOURCE"), ("--set", "NAME=VALUE")):
        for at, word in enumerate(words[:-2]):
            if word == option and "=" not in words[at + 1] and not words[at + 2].startswith("-"):
                name, value = words[at + 1 : at + 3]
                click.echo(
                    f"bajada: {option}: {name!r} and {value!r} come apart; write {option} {name}={value} "
                    f"({shape}, without spaces around =)",
                    err=True,
                )
                return
    context = getattr(error, "ctx", None)
    told = error.format_message().rstrip(".")
    shown = context.command_path if context is not None else "bajada"
    click.echo(f"bajada: {told[:1].lower()}{told[1:]}; '{shown} --help' shows how it is used", err=True)


def main() -> None:
    """Run the command line: exit status 0 done, 2 the input can't be used, 1 a fault of the toolkit itself."""
    try:
        commands(prog_name="bajada", standalone_mode=False)
    except GeotoolsError as error:
        click.echo(f"bajada: {_UNSEEN.sub('', str(error))}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        _tell_refusal(error)
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        click.echo("bajada: stopped", err=True)
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(0)
    except Exception as error:  # noqa: BLE001 - the last resort: whatever it is, it is our fault and says so
        if isinstance(error, MemoryError) or any(sign in str(error) for sign in _SIGNS_OF_MEMORY):
            click.echo(f"bajada: {_OUT_OF_MEMORY}", err=True)
            sys.exit(2)
        traceback.print_exc()
        click.echo("bajada: this is a fault of the toolkit, not of your data; please report the lines above", err=True)
        sys.exit(1)
