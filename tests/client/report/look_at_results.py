"""Reads a results file of `creel evaluate` as any HDF5 program would, with h5py alone. Prints "ok" at the end.

Usage: look_at_results.py FILE EXPECTED.json   (version, name, crc, ratio, channels)
Rules: NeXus manual, base classes NXentry, NXprocess, NXnote, NXdata (https://manual.nexusformat.org).
"""
import json
import re
import sys

import h5py
import numpy as np


def text(value):
    if isinstance(value, h5py.Dataset):
        value = value[()]
    return value.decode() if isinstance(value, bytes) else str(value)


def main():
    with open(sys.argv[2]) as opened:
        expected = json.load(opened)
    with h5py.File(sys.argv[1], "r") as file:
        entry = file[text(file.attrs["default"])]
        assert text(entry.attrs["NX_class"]) == "NXentry"
        data = entry[text(entry.attrs["default"])]
        assert text(data.attrs["NX_class"]) == "NXdata"
        signal = data[text(data.attrs["signal"])]
        axis = data[text(data.attrs["axes"][0])]
        assert signal.shape == axis.shape == (expected["channels"],)
        assert data.attrs[axis.name.rsplit("/", 1)[1] + "_indices"] == 0
        assert np.allclose(data["sum"][()] - data["background"][()], expected["net"])
        assert text(entry["inputs/specimen/name"]) == expected["name"]
        assert text(entry["inputs/specimen/series_crc32c"]) == expected["crc"]
        steps = [group for group in entry.values()
                 if isinstance(group, h5py.Group) and text(group.attrs["NX_class"]) == "NXprocess"]
        assert sorted(int(step["sequence_index"][()]) for step in steps) == list(range(1, len(steps) + 1))
        assert len(steps) == 5
        for step in steps:
            assert text(step["version"]) == expected["version"]
            assert re.match(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$", text(step["date"]))
            for note in ("note", "results"):
                assert text(step[note].attrs["NX_class"]) == "NXnote"
                assert text(step[note]["type"]) == "application/json"
                json.loads(text(step[note]["data"]))
        edge = json.loads(text(entry["process_3_edge/results/data"]))
        assert edge["ratio"]["value"] == expected["ratio"]
        windows = json.loads(text(entry["process_3_edge/note/data"]))["windows"]
        assert windows["background"]["from_ev"] < windows["background"]["to_ev"]
    print("ok")


main()
