"""Counts the electron events of a session with h5py and numpy alone.

Usage: look_at_events.py STATE PATH EXPECTED.json
STATE is "folder" (PATH is the folder) or "file" (PATH is NAME.h5). EXPECTED.json: rows, columns, most (places
in a frame), capacity (frames in a piece), events: for each frame a list of [time_ps, column, row, charge].
Prints "ok" at the end.

The words are those of NXevent_data (https://manual.nexusformat.org/classes/base_classes/NXevent_data.html).
"""
import json
import sys

import h5py
import numpy as np

MAGIC = 0x31524643
EVENT = np.dtype({"names": ["event_time_offset", "column", "row", "pulse_height"],
                  "formats": ["<u8", "<u2", "<u2", "<u4"], "offsets": [0, 8, 10, 12], "itemsize": 16})


def text(value):
    return value.decode() if isinstance(value, bytes) else str(value)


def check_described(events):
    assert events.dtype == EVENT and events.dtype.itemsize == 16, events.dtype
    names = [text(name) for name in events.attrs["member_names"]]
    assert names == list(EVENT.names)
    assert [text(unit) for unit in events.attrs["member_units"]] == ["ps", "", "", ""]


def check_frames(frames, records, expected):
    seen = 0
    for frame, record in zip(frames, records):
        frame = np.ravel(frame)
        assert frame.shape == (expected["most"],)
        if record["magic"] != MAGIC:
            assert not frame.view(np.uint8).any(), "a place without a record is empty"
            continue
        told = expected["events"][int(record["sequence"])]
        valid = frame[: int(record["events"])]
        assert [list(map(int, event)) for event in valid.tolist()] == told
        assert not frame[len(valid):].view(np.uint8).any(), "unused places are zero"
        # The same by another way: a picture of the frame.
        picture, _, _ = np.histogram2d(valid["row"], valid["column"],
                                       [range(expected["rows"] + 1), range(expected["columns"] + 1)])
        assert picture.sum() == len(told)
        for row in range(expected["rows"]):
            assert picture[row].sum() == sum(event[2] == row for event in told)
        seen += 1
    assert seen == len(expected["events"]), seen


def check_folder(path, expected):
    pieces = 0
    while True:
        try:
            piece = h5py.File("%s/piece-%d.h5" % (path, pieces), "r")
        except OSError:
            break
        assert piece["frames"].shape == (expected["capacity"], 1, expected["most"])
        assert piece["frames"].chunks is None
        check_described(piece["frames"])
        pieces += 1
    with h5py.File(path + "/whole.h5", "r") as file:
        group = file["entry/measurement/event1/event_data1"]
        assert text(group.attrs["NX_class"]) == "NXevent_data"
        events = group["events"]
        assert events.is_virtual and events.shape == (pieces * expected["capacity"], expected["most"])
        check_described(events)
        check_frames(events[()], file["entry/creel/record"][()], expected)
        check_detector(file, expected)


def check_detector(file, expected):
    detector = file["entry/measurement/instrument/detector"]
    assert detector["rows"][()] == expected["rows"] and detector["columns"][()] == expected["columns"]
    assert detector["data"] == file["entry/measurement/event1/event_data1/events"]


def default_data(file):
    """The chain of @default leads to something that can be plotted."""
    group = file
    while text(group.attrs["NX_class"]) != "NXdata":
        group = group[text(group.attrs["default"])]
    return group


def check_file(path, expected):
    with h5py.File(path, "r") as file:
        group = file["entry/measurement/event1/event_data1"]
        events = group["events"]
        count = len(expected["events"])
        assert not events.is_virtual and events.shape == (count, expected["most"])
        assert events.compression == "gzip" and events.shuffle, "any HDF5 reads it without a plugin"
        check_described(events)
        records = file["entry/creel/record"][()]
        check_frames(events[()], records, expected)
        check_detector(file, expected)
        # As the manual has it: event_index says where in one long list the events of each start lie.
        flat = events[()].ravel()
        zero = group["event_time_zero"]
        assert text(zero.attrs["units"]) == "s" and text(zero.attrs["offset"]).startswith("2026-02-12T19:20")
        assert np.allclose(np.diff(zero[()]), 1.1)
        for index, valid, told in zip(group["event_index"][()], group["event_count"][()], expected["events"]):
            assert [int(t) for t in flat["event_time_offset"][index:index + valid]] == [e[0] for e in told]
        data = default_data(file)
        spectra = data[text(data.attrs["signal"])]
        assert text(spectra.attrs["units"]) == "counts" and spectra.dtype == np.dtype("<u4")
        for spectrum, record, frame in zip(spectra[()], records, events[()]):
            columns = frame["column"][: int(record["events"])]
            assert (spectrum == np.bincount(columns, minlength=expected["columns"])).all()
        assert data["axis_energy"].shape == (expected["columns"],)


def main():
    state, path, expected = sys.argv[1:4]
    with open(expected, encoding="utf-8") as file:
        expected = json.load(file)
    (check_file if state == "file" else check_folder)(path, expected)
    print("ok")


main()
