#!/usr/bin/env python3
"""creel settings as a person meets it: on a terminal (a pseudo-terminal), with Enter, new values, wrong values,
Ctrl-D, Ctrl-C and a place that cannot be written. Nothing is ever half saved, and each trouble is said once."""

import json
import os
import pathlib
import pty
import select
import signal
import subprocess
import sys
import tempfile
import time
import unittest

BIN = pathlib.Path(os.environ["CREEL_BIN"])
SCENARIOS = pathlib.Path(os.environ["CREEL_SOURCE"]) / "sim" / "scenarios"
PATIENCE = 60  # seconds, for a machine that is busy


class Terminal:
    """A program on a terminal of its own."""

    def __init__(self, words):
        self.pid, self.master = pty.fork()
        if self.pid == 0:
            os.execv(words[0], words)
        self.said = ""
        self.read_until = 0

    def wait_for(self, text):
        """Reads on until `text` comes; fails at the end of the program."""
        end = time.monotonic() + PATIENCE
        while (at := self.said.find(text, self.read_until)) < 0:
            if not self._more(end):
                raise AssertionError(f"{text!r} did not come; there was:\n{self.said}")
        self.read_until = at + len(text)

    def type(self, text):
        os.write(self.master, text.encode())

    def finish(self):
        """The exit code; what is left to read is in `said` then."""
        end = time.monotonic() + PATIENCE
        while self._more(end):
            pass
        _, status = os.waitpid(self.pid, 0)
        os.close(self.master)
        return -os.WTERMSIG(status) if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)

    def _more(self, end):
        ready, _, _ = select.select([self.master], [], [], max(0, end - time.monotonic()))
        if not ready:
            os.kill(self.pid, signal.SIGKILL)
            raise AssertionError(f"nothing came for long; there was:\n{self.said}")
        try:
            chunk = os.read(self.master, 4096)
        except OSError:  # the other side is closed
            return False
        self.said += chunk.decode(errors="replace")
        return bool(chunk)


class Settings(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory()
        cls.place = pathlib.Path(cls.scratch.name)
        cls.socket = str(cls.place / "creeld.sock")
        cls.daemon = subprocess.Popen(
            [BIN / "creeld", "--state", cls.place / "state", "--socket", cls.socket,
             "--rig", SCENARIOS / "ink-lab.rig.json"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        while "ready on" not in cls.daemon.stdout.readline():
            assert cls.daemon.poll() is None, "creeld ended"
        subprocess.run([BIN / "creel", "start", SCENARIOS / "ink-trial.series.json", "--follow", "--socket", cls.socket],
                       check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        (cls.place / "panel.jpg").write_text("not really a photograph")

    @classmethod
    def tearDownClass(cls):
        cls.daemon.terminate()
        cls.daemon.wait()
        cls.daemon.stdout.close()
        cls.scratch.cleanup()

    def setUp(self):
        self.out = self.place / f"{self._testMethodName}.series.json"
        self.before = self.kept()

    def kept(self):
        folder = self.place / "state" / "settings"
        return sorted(path.name for path in folder.iterdir()) if folder.exists() else []

    def settings(self, out=None):
        return Terminal([str(BIN / "creel"), "settings", "--socket", self.socket, "--out", str(out or self.out),
                         "--photo", str(self.place / "panel.jpg")])

    def expect_nothing_saved(self, terminal, exit_code, sentence):
        self.assertEqual(terminal.finish(), exit_code, terminal.said)
        self.assertEqual(terminal.said.count(sentence), 1, terminal.said)
        self.assertEqual(terminal.said.count("creel settings:"), 1, terminal.said)
        self.assertFalse(self.out.exists())
        self.assertEqual(self.kept(), self.before)

    def answer_all(self, terminal, special):
        """Enter at every question but those in `special`; how many there were."""
        questions = 0
        end = time.monotonic() + PATIENCE
        while True:
            while (at := terminal.said.find("new value: ", terminal.read_until)) < 0:
                if not terminal._more(end):
                    return questions
            question = terminal.said[terminal.read_until:at]
            terminal.read_until = at + len("new value: ")
            questions += 1
            name = next((name for name in special if name + " = " in question), None)
            terminal.type((special[name].pop(0) if name and special[name] else "") + "\n")

    def test_wrong_values_are_asked_for_again_and_all_is_saved_at_the_end(self):
        terminal = self.settings()
        special = {"microscope.camera_length_mm": ["sixty", "-60", "62"], "microscope.mode": ["imaging", "image"]}
        self.answer_all(terminal, special)
        self.assertEqual(terminal.finish(), 0, terminal.said)
        self.assertEqual(terminal.said.count("must be a number in mm or unknown"), 1, terminal.said)
        self.assertEqual(terminal.said.count("microscope.camera_length_mm = 60"), 3, terminal.said)
        self.assertIn("\nmicroscope.camera_length_mm: got -60; must be a number of mm, above 0", terminal.said)
        self.assertIn("\nmicroscope.mode: got \"imaging\"; must be \"image\"", terminal.said)
        series = json.loads(self.out.read_text())
        self.assertEqual(series["microscope"]["camera_length_mm"], 62)
        self.assertEqual(series["microscope"]["mode"], "image")
        new = [name for name in self.kept() if name not in self.before]
        self.assertEqual(len(new), 2, new)  # record and photograph
        record = json.loads((self.place / "state" / "settings" / next(n for n in new if n.endswith(".json"))).read_text())
        self.assertEqual(sorted(record["changed"]), ["microscope.camera_length_mm", "microscope.mode"])
        self.assertNotIn("microscope.mode", record["confirmed"])

    def test_ctrl_d_saves_nothing(self):
        terminal = self.settings()
        terminal.wait_for("new value: ")
        terminal.type("\n")
        terminal.wait_for("new value: ")
        terminal.type("\x04")
        self.expect_nothing_saved(terminal, 130, "stopped at ")

    def test_ctrl_d_within_a_line_saves_nothing(self):
        terminal = self.settings()
        terminal.wait_for("new value: ")
        terminal.type("12\x04\x04")
        self.expect_nothing_saved(terminal, 130, "stopped at ")

    def test_ctrl_c_saves_nothing(self):
        terminal = self.settings()
        terminal.wait_for("new value: ")
        terminal.type("half a val")
        terminal.type("\x03")
        self.expect_nothing_saved(terminal, 130, "stopped at ")

    def test_a_place_that_cannot_be_written_saves_nothing(self):
        terminal = self.settings(self.place / "no such folder" / "tonight.series.json")
        self.answer_all(terminal, {})
        self.expect_nothing_saved(terminal, 5, "no such folder")

    def test_a_series_that_cannot_be_read_is_said_before_the_first_question(self):
        terminal = Terminal([str(BIN / "creel"), "settings", "--socket", self.socket, "--out", str(self.out),
                             "--into", str(self.place / "not-there.json")])
        self.expect_nothing_saved(terminal, 2, "not-there.json")
        self.assertNotIn("Still true?", terminal.said)


if __name__ == "__main__":
    sys.exit(unittest.main())
