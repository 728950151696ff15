#!/usr/bin/python3
"""Proves that every rule of tidy.py can fail: each test breaks one rule in a small tree of its own."""
import pathlib
import tempfile
import unittest

import tidy


class Rules(unittest.TestCase):
    def setUp(self):
        self.directory = tempfile.TemporaryDirectory()
        self.root = pathlib.Path(self.directory.name)
        for name in tidy.TOP:
            if "." in name:
                self.write(name, "")
            else:
                (self.root / name).mkdir()

    def tearDown(self):
        self.directory.cleanup()

    def write(self, name, text):
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def faults(self, check):
        return list(check(self.root))

    def test_a_clean_tree_has_no_fault(self):
        self.write("daemon/store/a.cpp", '#include "protocol/base/result.h"\n#include "daemon/store/a.h"\n')
        self.write("build/x/y.cpp", "std::chrono::system_clock::now()")
        for check in (tidy.check_top, tidy.check_sizes, tidy.check_clocks, tidy.check_includes, tidy.check_circles):
            self.assertEqual(self.faults(check), [])

    def test_the_top_level_is_exact(self):
        self.write("notes.txt", "")
        (self.root / "sim").rmdir()
        self.assertEqual(len(self.faults(tidy.check_top)), 2)

    def test_large_files_are_found(self):
        self.write("sim/table.txt", "x" * (tidy.LARGEST + 1))
        self.assertEqual(len(self.faults(tidy.check_sizes)), 1)

    def test_clocks_and_chance_are_found_outside_the_seams(self):
        for text in ("auto t = std::chrono::steady_clock::now();", "clock_gettime(CLOCK_MONOTONIC, &t);",
                     "int r = rand();", "srand(1);", "std::random_device d;", "using c = std::chrono::system_clock;",
                     "std::time(nullptr);", "auto t = time(NULL);", "gettimeofday(&t, nullptr);"):
            self.write("daemon/store/a.cpp", text)
            self.assertEqual(len(self.faults(tidy.check_clocks)), 1, text)
        self.write("daemon/store/a.cpp", "// ::now( in a comment\n/* rand( */\nstrand(x); scheduler.time(0);\n")
        self.write("daemon/platform/clock.cpp", "clock_gettime(CLOCK_MONOTONIC, &t);")
        self.assertEqual(self.faults(tidy.check_clocks), [])

    def test_includes_against_the_folders_are_found(self):
        wrong = {"protocol/base/a.h": "daemon/store/b.h", "sim/a.cpp": "drivers/kit/kit.h",
                 "drivers/genicam/a.cpp": "sim/world.h", "drivers/host/a.cpp": "drivers/kit/kit.h",
                 "daemon/rpc/a.cpp": "client/cli/b.h", "daemon/analysis/a.cpp": "daemon/store/session.h",
                 "client/cli/a.cpp": "daemon/store/session.h", "daemon/series/a.cpp": "tests/fakes/disk.h",
                 "daemon/store/a.cpp": "daemon/platform/disk.h", "client/report/a.cpp": "a.h",
                 "sim/b.cpp": "../protocol/c.h"}
        for name, target in wrong.items():
            self.write(name, f'#include "{target}"\n')
        self.assertEqual(len(self.faults(tidy.check_includes)), len(wrong))

    def test_includes_along_the_folders_are_allowed(self):
        right = {"drivers/simulated/a.cpp": "sim/world.h", "drivers/genicam/a.cpp": "drivers/genicam/b.h",
                 "client/report/a.cpp": "daemon/spectra/spectrum.h", "daemon/main.cpp": "daemon/platform/disk.h",
                 "tests/fakes/a.cpp": "daemon/platform/disk.h", "daemon/series/a.cpp": "daemon/store/session.h"}
        for name, target in right.items():
            self.write(name, f'#include "{target}"\n')
        self.assertEqual(self.faults(tidy.check_includes), [])

    def test_circles_of_folders_are_found(self):
        self.write("daemon/a/a.h", '#include "daemon/b/b.h"\n')
        self.write("daemon/b/b.h", '#include "daemon/c/c.h"\n')
        self.write("daemon/c/c.h", '#include "daemon/a/a.h"\n')
        faults = self.faults(tidy.check_circles)
        self.assertEqual(faults, ["circle of folders: daemon/a -> daemon/b -> daemon/c -> daemon/a"])

    def test_commands_and_options_missing_in_the_readme_are_found(self):
        program = self.root / "fake"
        program.write_text("#!/bin/sh\nprintf 'x\\n\\nOptions:\\n  --json  j\\n\\nSubcommands:\\n  list   a\\n"
                           "  close-all  b\\n\\nend\\n'\n")
        program.chmod(0o755)
        self.write("README.md", "`creel list`")
        faults = list(tidy.check_readme(self.root, str(program)))
        self.assertIn("README.md: the command `creel close-all` is not there", faults)
        self.assertTrue(any("--json" in fault for fault in faults))
        self.write("README.md", "`creel list` `creel close-all` --json")
        self.assertEqual(list(tidy.check_readme(self.root, str(program))), [])


if __name__ == "__main__":
    unittest.main()
