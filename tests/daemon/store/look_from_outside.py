"""Reads a session as any HDF5 program would, with h5py alone, and checks it against the NeXus rules.

Usage: look_from_outside.py STATE PATH EXPECTED.json
STATE is "folder" (PATH is the folder) or "file" (PATH is NAME.h5). EXPECTED.json: rows, columns, dtype,
crc (zlib CRC-32 of each frame), capacity, series (text), rig (text), sealed (numbers of pieces), codec.
Prints "ok" at the end.

The rules are those of the NeXus manual (https://manual.nexusformat.org): datarules (names, units, NXdata
attributes, default plotting) and the base classes NXdata, NXdetector, NXnote, NXsource.
"""
import json
import re
import sys
import zlib

import h5py
import numpy as np

MAGIC = 0x31524643
NAME = re.compile(r"^[a-zA-Z0-9_]([a-zA-Z0-9_.]*[a-zA-Z0-9_])?$")
DATE_TIME = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$")


def text(value):
    if isinstance(value, h5py.Dataset):
        value = value[()]
    return value.decode() if isinstance(value, bytes) else str(value)


def default_data(file):
    """Follows the chain of @default from the root to the NXdata."""
    group = file
    while text(group.attrs["NX_class"]) != "NXdata":
        name = text(group.attrs["default"])
        assert "/" not in name, "default names a child, not a path"
        group = group[name]
        assert isinstance(group, h5py.Group)
    return group


def check_data(group):
    """NXdata: signal, axes and indices."""
    signal = group[text(group.attrs["signal"])]
    assert np.issubdtype(signal.dtype, np.number) and 1 <= signal.ndim <= 32
    axes = [text(name) for name in group.attrs["axes"]]
    assert len(axes) == signal.ndim, (group.name, axes)
    for place, name in enumerate(axes):
        if name == ".":
            continue
        assert place in np.atleast_1d(group.attrs[name + "_indices"]), name
    for key in group.attrs:
        if not key.endswith("_indices"):
            continue
        axis = group[key[: -len("_indices")]]
        places = np.atleast_1d(group.attrs[key])
        assert places.dtype == np.uint32 and len(places) == axis.ndim
        for length, place in zip(axis.shape, places):
            assert length in (signal.shape[place], signal.shape[place] + 1), (axis.name, axis.shape)
        assert "long_name" in axis.attrs
    assert "long_name" in signal.attrs


def check_rules(file):
    """Every object of the file."""
    def check(path, thing):
        name = path.rsplit("/", 1)[-1]
        assert NAME.match(name) and len(name) <= 63, path
        if isinstance(thing, h5py.Group):
            assert text(thing.attrs["NX_class"]).startswith("NX"), path
            if text(thing.attrs["NX_class"]) == "NXdata":
                check_data(thing)
            if text(thing.attrs["NX_class"]) == "NXsource":
                for key in ("wavelength", "frequency", "pulse_energy", "pulse_width", "voltage"):
                    assert key not in thing or thing[key].dtype.kind == "f", "NX_FLOAT"
        elif thing.dtype.kind in "iuf":
            assert "units" in thing.attrs, path + " has no units"
            assert text(thing.attrs["units"]) not in ("electrons", "a.u.", "e/A^2"), "no UDUNITS unit"
        if name in ("start_time", "end_time", "preparation_date", "file_time") and thing.dtype.kind == "S":
            assert DATE_TIME.match(text(thing)), path
    assert text(file.attrs["NX_class"]) == "NXroot"
    file.visititems(check)
    assert text(file["entry"].attrs["NX_class"]) == "NXentry"
    assert "definition" not in file["entry"], "NXem is claimed only when all it requires is known"


def check_known(file, expected):
    entry = file["entry"]
    assert text(entry["note_series/data"]) == expected["series"]
    assert text(entry["note_rig/data"]) == expected["rig"]
    assert text(entry["note_series/type"]) == "application/json"
    assert text(entry["sample/name"]) == "ink A, grid 3"
    assert text(entry["sample/atom_types"]) == "C, O, Fe"
    assert entry["sample/is_simulation"][()] == 1
    assert "density" not in entry["sample"], "unknown stays out"
    assert entry["sample/thickness"][()] == 42.5 and text(entry["sample/thickness"].attrs["units"]) == "nm"
    optics = entry["measurement/event1/instrument/optics"]
    assert optics["dose_rate"][()] == 0.02
    assert text(optics["dose_rate"].attrs["units"]) == "1/(angstrom^2*s)"
    assert "semi_convergence_angle" not in optics, "unknown stays out"
    gain = entry["creel/devices/camera/settings/gain"]
    assert gain[()] == 2.0
    data = default_data(file)
    energy = data["axis_energy" if expected["rows"] == 1 else "axis_i"]
    assert text(energy.attrs["units"]) == "eV" and energy[0] == 650.125 and energy[4] == 651.125
    detector = entry["measurement/instrument/detector/data"]
    signal = data[text(data.attrs["signal"])]
    assert detector.id == signal.id or detector == signal
    assert text(signal.attrs["target"]) == signal.name or text(signal.attrs["target"]) == \
        "/entry/measurement/event1/" + "/".join(signal.name.split("/")[-3:])


def check_frames(frames, records, expected):
    """A frame is there exactly where a record is; everything else is untouched, but for the one frame whose
    writer was killed before its record."""
    seen = 0
    begun = 0
    for index in range(len(records)):
        frame = np.ascontiguousarray(frames[index])
        if records["magic"][index] != MAGIC:
            begun += bool(frame.any())
            continue
        number = int(records["sequence"][index])
        assert zlib.crc32(frame.tobytes()) == expected["crc"][number], "frame %d" % number
        assert int(records["exposure"][index]) == number
        seen += 1
    assert seen == len(expected["crc"]), "%d frames instead of %d" % (seen, len(expected["crc"]))
    assert begun <= (1 if expected["killed"] else 0), "a place without a record is empty"


def shape(expected, count):
    return (count, expected["columns"]) if expected["rows"] == 1 else \
        (count, expected["rows"], expected["columns"])


def check_filters(frames, expected):
    if expected["codec"] == "bitshuffle-lz4":
        assert list(frames._filters) == ["32008"], frames._filters
    else:
        assert frames.compression == "gzip" and frames.shuffle, "any HDF5 reads it without a plugin"


def check_folder(path, expected):
    pieces = 0
    count = 0
    while True:
        try:
            piece = h5py.File("%s/piece-%d.h5" % (path, pieces), "r")
        except OSError:
            break
        frames, records = piece["frames"], piece["record"]
        assert frames.shape == (expected["capacity"], expected["rows"], expected["columns"])
        assert frames.dtype == np.dtype(expected["dtype"])
        if pieces in expected["sealed"]:
            assert frames.chunks[0] <= expected["capacity"] and frames.chunks[1:] == frames.shape[1:]
            check_filters(frames, expected)
            assert piece["n_valid"][()] == expected["capacity"]
            assert piece.userblock_size >= 1024
        else:
            assert frames.chunks is None
        assert text(frames.attrs["units"]) == "counts" and "member_units" in records.attrs
        taken = int((records["magic"] == MAGIC).sum())
        assert piece["n_valid"][()] <= taken, "n_valid is a lower bound"
        count += taken
        pieces += 1
    assert count == len(expected["crc"])
    with h5py.File(path + "/whole.h5", "r") as file:
        check_rules(file)
        check_known(file, expected)
        data = default_data(file)
        signal = data[text(data.attrs["signal"])]
        assert signal.is_virtual and signal.dtype == np.dtype(expected["dtype"])
        assert signal.shape == shape(expected, pieces * expected["capacity"]), signal.shape
        check_frames(signal, file["entry/creel/record"][()], expected)


def check_file(path, expected):
    with h5py.File(path, "r") as file:
        check_rules(file)
        check_known(file, expected)
        count = len(expected["crc"])
        data = default_data(file)
        signal = data[text(data.attrs["signal"])]
        assert not signal.is_virtual and signal.shape == shape(expected, count)
        check_filters(signal, expected)
        records = file["entry/creel/record"][()]
        check_frames(signal, records, expected)
        detector = file["entry/measurement/instrument/detector"]
        for name in ("count_time", "start_time", "stop_time", "sequence_number", "image_key"):
            assert detector[name].shape == (count,), name
        assert list(detector["image_key"][:4]) == [0, 0, 0, 2], "every fourth is a dark"
        assert np.allclose(np.diff(detector["start_time"][()]), 1.1)
        assert np.allclose(file["entry/control/data"][()], records["dose"])
        index = data["indices_spectrum" if expected["rows"] == 1 else "indices_image"]
        assert list(index[()]) == list(range(count))
        log = file["entry/measurement/instrument/sensor_laser_power/value_log"]
        assert text(log.attrs["NX_class"]) == "NXlog" and text(log["value"].attrs["units"]) == "mW"
        assert list(log["value"]) == [20.0, 19.5], "a reading that is not valid is none"
        assert list(log["time"]) == [1.0, 3.0] and text(log["time"].attrs["start"]).startswith("2026-02-12T19:20")
        first = data["first_channel_energy"]
        assert first.shape == (count,) and (first[()] == 650).all() and (records["first_channel_ev"] == 650).all()
        lines = text(file["entry/creel/events/data"]).splitlines()
        assert any(json.loads(line[9:]).get("event") == "piece" for line in lines)
        assert json.loads(text(file["entry/creel/summary_text"]))["outcome"] == "finished"
        assert text(file["entry/creel/summary/outcome"]) == "finished"


def main():
    state, path, expected = sys.argv[1:4]
    with open(expected, encoding="utf-8", newline="") as file:
        expected = json.load(file)
    expected["killed"] = state == "killed"
    (check_file if state == "file" else check_folder)(path, expected)
    print("ok")


main()
