"""Plans that are no TOML, name what is not there or go in circles, settings that can't be, and plug-ins that fail."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from battery.making import Case, both, feed, nothing, text

PLAN = Path(__file__).with_name("plan.toml")

HEAD = 'title = "t"\n[inputs]\nparcels = "lots.gpkg"\nopen_desert = "desert.gpkg"\n[parcels]\nid = "APN"\n'
P = "run p.toml --out out"


def plan(body: str, *, head: str = HEAD) -> Any:
    return text("p.toml", head + body)


def step(use: str, gives: str = "", **more: str) -> str:
    rows = [
        f'use = "{use}"',
        *([f'gives = "{gives}"'] if gives else []),
        *(f"{name} = {value}" for name, value in more.items()),
    ]
    return "\n[[step]]\n" + "\n".join(rows) + "\n"


def plugin(
    body: str, *, named: str = "odd_step", claims: str = "odd_step", gives: str = "odd", whole: bool = False
) -> Any:
    """A package of another's that is found on the path, with one step."""

    def make(folder: Path) -> None:
        home = folder / "plugins"
        (home / "odd-1.dist-info").mkdir(parents=True)
        (home / "odd_package.py").write_text(
            "import geopandas as gpd\nimport pandas as pd\nimport geotools.errors as errors\n"
            f"def {named}(parcels: gpd.GeoDataFrame, *, factor: float = 1.0) -> gpd.GeoDataFrame:\n"
            f'    """Odd."""\n{body}\n'
        )
        (home / "odd-1.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\nName: odd\nVersion: 1\n")
        (home / "odd-1.dist-info" / "entry_points.txt").write_text(
            f"[geotools.steps]\n{claims} = odd_package:odd_step\n"
        )
        after = step("write_plain_table", "odd.csv", takes=f'{{ table = "{gives}" }}')
        if whole:  # the small plan after it
            after = PLAN.read_text().partition("[inputs]")[2]
        (folder / "p.toml").write_text(HEAD + step("odd_step", gives) + after)

    return make


PLANS = (
    Case(
        "input with a space for the equals sign",
        nothing,
        "run plan.toml --out out --input parcels lots.gpkg",
        2,
        ("--input: 'parcels' and 'lots.gpkg' come apart", "write --input parcels=lots.gpkg"),
    ),
    Case(
        "setting with a space for the equals sign",
        nothing,
        f"{feed()} --set parcels.id APN",
        2,
        ("--set: 'parcels.id' and 'APN' come apart", "write --set parcels.id=APN"),
    ),
    Case("one word too many", nothing, f"{feed()} more", 2, ("bajada: ", "more", "bajada run --help")),
    Case("plan not there", nothing, "run q.toml --out out", 2, ("there is no such pipeline file",)),
    Case("plan of no bytes", text("p.toml", b""), P, 2, ("it has no steps", "[[step]]")),
    Case("plan that is no TOML", text("p.toml", "title = \n[["), P, 2, ("it is no valid TOML", "line 1")),
    Case("plan not in UTF-8", text("p.toml", b'title = "\xff\xfe"'), P, 2, ("it is not UTF-8 text",)),
    Case("plan with nulls", text("p.toml", b"\0\0\0"), P, 2, ("it is no valid TOML",)),
    Case("plan that is a folder", lambda folder: (folder / "p.toml").mkdir(), P, 2, ("p.toml",)),
    Case("plan with a mark at its start", text("p.toml", b"\xef\xbb\xbf" + HEAD.encode()), P, 2, ("it has no steps",)),
    Case("same table twice", plan("[parcels]\nid = 1\n"), P, 2, ("it is no valid TOML",)),
    Case(
        "plan nested 1,000 deep",
        text("p.toml", "a = " + "[" * 1000 + "]" * 1000),
        P,
        2,
        ("lie too deep in each other",),
    ),
    Case(
        "unknown setting",
        plan("", head='unit = "us"\n' + HEAD),
        P,
        2,
        ("'unit' is no setting of a pipeline", "did you mean 'units'"),
    ),
    Case(
        "unknown units",
        plan(step("weigh_factors"), head='units = "furlongs"\n' + HEAD),
        P,
        2,
        ("units = 'furlongs' is not known",),
    ),
    Case(
        "unknown table",
        plan("[parcles]\nid = 1\n" + step("weigh_factors")),
        P,
        2,
        ("[parcles] is no table of a pipeline", "did you mean [parcels]"),
    ),
    Case(
        "step as one table",
        plan('[step]\nuse = "weigh_factors"\n'),
        P,
        2,
        ("'step' has another shape", "rows [[step]]"),
    ),
    Case("inputs as a list", text("p.toml", "inputs = [1]\n" + step("weigh_factors")), P, 2, ("a table [inputs]",)),
    Case(
        "inputs as text", text("p.toml", 'inputs = "lots.gpkg"\n' + step("weigh_factors")), P, 2, ("a table [inputs]",)
    ),
    Case("input as a number", plan("", head="[inputs]\nparcels = 3\n"), P, 2, ("3 is no text", "put it in quotes")),
    Case("layer options as text", plan("", head='parcels = "lots.gpkg"\n'), P, 2, ("'parcels' is no setting",)),
    Case(
        "no parcels",
        plan(step("weigh_factors"), head='[inputs]\nopen_desert = "desert.gpkg"\n'),
        P,
        2,
        ("no input gives the parcels", "--input parcels=FILE"),
    ),
    Case(
        "unknown layer",
        plan(step("weigh_factors"), head='[inputs]\nparcels = "lots.gpkg"\nparcel = "lots.gpkg"\n'),
        P,
        2,
        ("there is no layer 'parcel'", "did you mean 'parcels'"),
    ),
    Case(
        "step without use", plan('\n[[step]]\ngives = "x"\n'), P, 2, ("does not say which step to use", 'use = "STEP"')
    ),
    Case("use as a number", plan("\n[[step]]\nuse = 5\n"), P, 2, ("5 is no text",)),
    Case(
        "unknown step",
        plan(step("score_exposre")),
        P,
        2,
        ("there is no step 'score_exposre'", "did you mean 'score_exposure'"),
    ),
    Case(
        "unknown option",
        plan(step("measure_factors", "factors", decay="3.0")),
        P,
        2,
        ("step measure_factors has no option 'decay'", "did you mean"),
    ),
    Case(
        "option of the wrong kind",
        plan(step("measure_factors", "factors", decay_m='"far"')),
        P,
        2,
        ("decay_m = 'far' can't be used: it must be a number",),
    ),
    Case(
        "option that is a list",
        plan(step("measure_factors", "factors", decay_m="[1]")),
        P,
        2,
        ("decay_m = [1] can't be used",),
    ),
    Case(
        "option below 0",
        plan(step("measure_factors", "factors", decay_m="-1.0")),
        P,
        2,
        ("not above 0", "give positive lengths"),
    ),
    Case(
        "option 0",
        plan(step("measure_factors", "factors", decay_m="0")),
        P,
        2,
        ("not above 0", "give positive lengths"),
    ),
    Case(
        "option that is not a number",
        plan(step("measure_factors", "factors", decay_m="nan")),
        P,
        2,
        ("decay_m = nan is no finite number",),
    ),
    Case(
        "option infinite",
        plan(step("measure_factors", "factors", decay_m="inf")),
        P,
        2,
        ("decay_m = inf is no finite number",),
    ),
    Case(
        "takes what no step gives",
        plan(step("score_exposure", "s", takes='{ factors = "factor" }')),
        P,
        2,
        ("no step and no input gives 'factor'",),
    ),
    Case(
        "takes under a wrong name",
        plan(step("measure_factors", "f", takes='{ desert = "open_desert" }')),
        P,
        2,
        ("step measure_factors takes no 'desert'", "did you mean 'open_desert'"),
    ),
    Case(
        "takes as text",
        plan(step("measure_factors", "f", takes='"open_desert"')),
        P,
        2,
        ("takes is no table of names",),
    ),
    Case(
        "missing step",
        plan(step("specify_lots", "lots")),
        P,
        2,
        ("no step and no input gives 'scored_lots'", "add a step that gives 'scored_lots'"),
    ),
    Case(
        "two steps in a circle",
        plan(
            step("score_exposure", "a", takes='{ factors = "b" }')
            + step("score_exposure", "b", takes='{ factors = "a" }')
        ),
        P,
        2,
        ("these steps wait for each other", "break the circle"),
    ),
    Case(
        "step that takes itself",
        plan(step("score_exposure", "a", takes='{ factors = "a" }')),
        P,
        2,
        ("these steps wait for each other",),
    ),
    Case(
        "given twice",
        plan(step("measure_factors", "f") + step("measure_factors", "f")),
        P,
        2,
        ("'f' is given by [[step]] 1 (measure_factors) already", "rename one"),
    ),
    Case(
        "gives the name of an input",
        plan(step("measure_factors", "parcels")),
        P,
        2,
        ("'parcels' is the name of an input",),
    ),
    Case(
        "file out of the folder",
        plan(step("measure_factors", "f") + step("write_plain_table", "../f.csv", takes='{ table = "f" }')),
        P,
        2,
        ("'../f.csv' is no plain file name",),
    ),
    Case(
        "file at an absolute place",
        plan(step("measure_factors", "f") + step("write_plain_table", "/nowhere/f.csv", takes='{ table = "f" }')),
        P,
        2,
        ("is no plain file name",),
    ),
    Case(
        "file called run.json",
        plan(step("measure_factors", "f") + step("write_plain_table", "run.json", takes='{ table = "f" }')),
        P,
        2,
        ("'run.json' is no plain file name",),
    ),
    Case(
        "file name of 300 letters",
        plan(step("measure_factors", "f") + step("write_plain_table", "f" * 300 + ".csv", takes='{ table = "f" }')),
        P,
        2,
        ("is no plain file name",),
    ),
    Case(
        "no desert, no wash",
        nothing,
        "run plan.toml --out out --input parcels=lots.gpkg --set parcels.id=APN",
        2,
        ("give open_desert, washes or both",),
    ),
    Case("design of an unknown name", nothing, feed("design.body_lenght=48"), 2, ("body_lenght", "did you mean")),
    Case("design without a unit", nothing, feed("design.body_length=48"), 2, ("has no unit", "'48 in'")),
    Case(
        "design of 0",
        nothing,
        feed() + " --set 'design.body_length=0 in'",
        2,
        ("'0 in' can't be: it must be greater than 0 m", "design animal"),
    ),
    Case("design of a mile", nothing, feed() + " --set 'design.body_length=1 mile'", 2, ("less than or equal to 3 m",)),
    Case("design of bananas", nothing, feed() + " --set 'design.buffer=2 bananas'", 2, ("'bananas' is not a unit",)),
    Case(
        "design of another choice",
        nothing,
        feed("design.protect=garden"),
        2,
        ("it must be 'rear_yard', 'lot' or 'house'",),
    ),
    Case("set without a value", nothing, feed() + " --set units", 2, ("--set: 'units' is not name=value",)),
    Case(
        "set of what is not there",
        nothing,
        feed() + " --set parcel.id=APN",
        2,
        ("'parcel.id' can't be set", "did you mean 'parcels'"),
    ),
    Case(
        "set of a layer not given",
        nothing,
        feed() + " --set walls.unit=ft",
        2,
        ("no input gives walls", "add --input walls=FILE"),
    ),
    Case(
        "input without a layer",
        nothing,
        "run plan.toml --out out --input lots.gpkg",
        2,
        ("'lots.gpkg' is not layer=SOURCE",),
    ),
    Case("input twice", nothing, feed("parcels=lots.gpkg"), 2, ("parcels is given twice", "keep one of them")),
    Case(
        "input of an unknown layer",
        nothing,
        feed("dessert=desert.gpkg"),
        2,
        ("there is no layer 'dessert'", "did you mean 'open_desert'"),
    ),
    Case(
        "plug-in that raises",
        plugin("    return 1 / 0"),
        P,
        2,
        ("[[step]] 1 (odd_step): it failed with", "tell those who keep package odd"),
    ),
    Case(
        "plug-in with our own error",
        plugin("    raise errors.LayerError('it rains', where='here', mend='wait')"),
        P,
        2,
        ("[[step]] 1 (odd_step), here: it rains; wait",),
    ),
    Case("plug-in that gives text", plugin("    return 'done'"), P, 2, ("not a table", "package odd")),
    Case(
        "plug-in that gives nothing", plugin("    return None"), P, 2, ("it gave nothing, not a table", "package odd")
    ),
    Case("plug-in in another CRS", plugin("    return parcels.to_crs(4326)"), P, 2, ("not in the working CRS",)),
    Case("plug-in that warns", plugin("    import warnings; warnings.warn('hm'); return parcels"), P, 0, lots=()),
    Case("plug-in that leaves", plugin("    raise SystemExit(7)"), P, 2, ("package odd",)),
    Case("plug-in that prints", plugin("    print('noise'); return parcels"), P, 0, lots=()),
    Case(
        "plug-in that clashes in name",
        both(plugin("    return parcels", claims="score_exposure"), plan(step("score_exposure", "s"))),
        P,
        2,
        ("step 'score_exposure' is claimed by bajada and odd", "remove one of these packages"),
    ),
    Case(
        "plug-in that clashes but is not used",
        plugin("    return parcels", claims="odd_step = odd_package:odd_step\nscore_exposure"),
        P,
        0,
        lots=(),
    ),
    Case(
        "plug-in without the function",
        plugin("    return parcels", named="other"),
        P,
        2,
        ("step 'odd_step' of package odd can't be loaded", "mend or remove package odd"),
    ),
    Case(
        "plug-in that can't be read",
        both(plugin("    return parcels"), text("plugins/odd_package.py", "def (")),
        P,
        2,
        ("can't be loaded",),
    ),
    Case(
        "plug-in that is no function",
        both(plugin("    return parcels"), text("plugins/odd_package.py", "odd_step = 3")),
        P,
        2,
        ("is no function",),
    ),
    Case(
        "plug-in with an unknown annotation",
        both(
            plugin("    return parcels"),
            text(
                "plugins/odd_package.py",
                "from __future__ import annotations\ndef odd_step(parcels: Nowhere) -> Nowhere: ...\n",
            ),
        ),
        P,
        2,
        ("its signature can't be read", "odd_step"),
    ),
    Case(
        "plug-in that changes the lots",
        plugin("    parcels['parcel_id'] = 'x'; parcels.loc[:, 'geometry'] = None; return parcels", whole=True),
        P,
        0,
    ),
    Case(
        "plug-in that drops lots",
        plugin("    return parcels.iloc[:1]", gives="lots"),
        P,
        2,
        ("it gave 1 lots for 3 parcels", "mend step odd_step of package odd"),
    ),
    Case(
        "plug-in that drops lots, in tiles",
        plugin("    return parcels.iloc[:1]", gives="lots"),
        f"{P} --set tiles.lots=3",
        2,
        ("it gave 1 lots for 3 parcels", "mend step odd_step of package odd"),
    ),
    Case(
        "plug-in that gives lots other ids, in tiles",
        plugin("    return parcels.assign(parcel_id='q' + parcels['parcel_id'])", gives="lots"),
        f"{P} --set tiles.lots=3",
        2,
        ("it gave 0 lots with the ids of the 3 parcels", "mend step odd_step of package odd"),
    ),
    Case(
        "plug-in that leaves, in tiles",
        plugin("    raise SystemExit(7)"),
        f"{P} --set tiles.lots=3",
        2,
        ("it failed with SystemExit: 7", "package odd"),
    ),
)
