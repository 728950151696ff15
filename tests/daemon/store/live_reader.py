"""Reads a session that is being recorded, again and again, with h5py alone, as DEVELOPERS.md says.

Usage: live_reader.py FOLDER
       live_reader.py --kept-open FOLDER
Standard input: one number a line, how many frames the writer has been told are durable; its end ends
the reading. Before each look the last number is taken and the file is opened anew; every frame whose
record counts must match its CRC-32C, and none of the durable ones may be missing. Prints
"ok LOOKS FRAMES" at the end. With --kept-open one file stays open and is refreshed instead, once for each
line; FOLDER.seen then holds the number of the line.
CRC-32C: the Castagnoli polynomial of RFC 3720, appendix B.4, whose check value it tries first.
"""
import os
import select
import sys
import time

import h5py
import numpy as np

MAGIC = 0x31524643
POLYNOMIAL = 0x82F63B78  # reflected


def make_table():
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ np.uint32(POLYNOMIAL), table >> 1)
    return table


TABLE = make_table()


def crc32c(rows):
    """Of each row of bytes."""
    crc = np.full(len(rows), 0xFFFFFFFF, dtype=np.uint32)
    for column in np.ascontiguousarray(rows.T):
        crc = TABLE[(crc ^ column) & 0xFF] ^ (crc >> np.uint32(8))
    return crc ^ np.uint32(0xFFFFFFFF)


def as_rows(array):
    array = np.ascontiguousarray(array)
    return array.view(np.uint8).reshape(len(array), -1)


def counted(records):
    """Places whose record counts: the magic, and the record's own checksum."""
    places = np.flatnonzero(records["magic"] == MAGIC)
    blank = records[places].copy()
    blank["record_crc"] = 0
    return places[crc32c(as_rows(blank)) == records["record_crc"][places]] if len(places) else places


class Told:
    """What standard input said so far."""

    def __init__(self):
        self.durable, self.rest, self.ended = 0, b"", False

    def take(self):
        while not self.ended and select.select([0], [], [], 0)[0]:
            piece = os.read(0, 65536)
            self.ended = not piece
            *lines, self.rest = (self.rest + piece).split(b"\n")
            self.durable = max([self.durable, *map(int, lines)])
        return self.durable


def look(path, durable, known):
    """One look; `known` has the CRC of each sequence number seen before."""
    with h5py.File(path, "r") as file:
        look_into(file, durable, known)


def look_into(file, durable, known):
    records = file["entry/creel/record"][()]
    places = counted(records)
    signal = file["entry/measurement/instrument/detector/data"]
    fresh = [place for place in places if int(records["sequence"][place]) not in known]
    if len(fresh):
        first, last = min(fresh), max(fresh) + 1
        frames = as_rows(signal[first:last])[np.array(fresh) - first]
        wrong = np.flatnonzero(crc32c(frames) != records["frame_crc"][fresh])
        # A frame that is not durable yet may be in the middle of being written after a failed one.
        bad = [int(records["sequence"][fresh[i]]) for i in wrong]
        assert all(number >= durable for number in bad), "durable frames %s are wrong" % bad
        for index, place in enumerate(fresh):
            if index not in wrong:
                known[int(records["sequence"][place])] = int(records["frame_crc"][place])
    missing = [number for number in range(durable) if number not in known]
    assert not missing, "of %d durable frames these are missing: %s" % (durable, missing[:10])
    there = {int(number) for number in records["sequence"][places]}
    assert there.issuperset(range(durable)), "a durable frame was there and is not any more"


def watch(folder):
    """Opens anew for each look."""
    path, told, known, looks = folder + "/whole.h5", Told(), {}, 0
    while not told.ended:
        durable = told.take()
        try:
            look(path, durable, known)
        except (AssertionError, OSError):
            if path == folder + ".h5" or not os.path.exists(folder + ".h5"):
                raise
            path = folder + ".h5"  # it was folded meanwhile
            look(path, durable, known)
        looks += 1
        time.sleep(0.001)
    look(folder + ".h5" if os.path.exists(folder + ".h5") else path, told.durable, known)
    return looks + 1, len(known)


def watch_kept_open(folder):
    known, looks = {}, 0
    with h5py.File(folder + "/whole.h5", "r") as file:
        for line in sys.stdin:
            for name in ("entry/creel/record", "entry/measurement/instrument/detector/data"):
                file[name].id.refresh()
            look_into(file, int(line), known)
            looks += 1
            with open(folder + ".part", "w", encoding="ascii") as seen:
                seen.write(line)
            os.rename(folder + ".part", folder + ".seen")
    return looks, len(known)


def main():
    assert crc32c(np.frombuffer(b"123456789", np.uint8).reshape(1, 9))[0] == 0xE3069283, "check value"
    kept_open = sys.argv[1] == "--kept-open"
    print("ok %d %d" % (watch_kept_open if kept_open else watch)(sys.argv[-1]))


main()
