"""Layers, their columns and options."""

from __future__ import annotations

import subprocess
import sys

import pytest

import geotools.layers
from geotools.errors import LayerError
from geotools.layers.schema import LAYERS, check_options, did_you_mean, layer_schema


def test_layers_are_those_of_the_design():
    assert list(LAYERS) == [
        "parcels",
        "buildings",
        "washes",
        "open_desert",
        "vegetation",
        "land_cover",
        "elevation",
        "walls",
        "gates",
        "footholds",
        "roads",
        "easements",
        "pools",
        "attractants",
        "encounters",
    ]
    assert [column.name for column in LAYERS["walls"].columns] == ["kind", "height_m", "opening_m", "rail_m", "sound"]


def test_unknown_names_and_options_suggest_the_nearest():
    assert layer_schema("trails", others=["trails"]).columns == ()
    with pytest.raises(LayerError) as caught:
        layer_schema("parcel")
    assert caught.value.mend == "did you mean 'parcels'?"
    with pytest.raises(LayerError, match="no option 'hight'") as caught:
        check_options(LAYERS["walls"], {"hight": "HT"})
    assert caught.value.mend == "did you mean 'height'?"
    check_options(LAYERS["elevation"], {"unit": "ft", "crs": 26912}, raster=True)
    assert did_you_mean("zzz", []) == "there is none to choose from"


def test_public_face_is_whole_and_cheap_to_import():
    assert all(hasattr(geotools.layers, name) for name in geotools.layers.__all__)
    assert not hasattr(geotools.layers, "nothing")
    code = "import sys, geotools.layers; geotools.layers.LAYERS; print('geopandas' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert found.stdout.strip() == "False"
