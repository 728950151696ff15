#!/usr/bin/python3
"""Checks the source tree against the rules that no compiler checks. Prints one line a fault; exit code 1 if any.

tidy.py ROOT [--creel PROGRAM] [--clang-format PROGRAM]
"""
import argparse
import pathlib
import re
import subprocess
import sys

TOP = {"CMakeLists.txt", "README.md", "DEVELOPERS.md", "daemon", "drivers", "protocol", "client", "tests", "sim"}

# Who may include whom (DEVELOPERS.md, the map): the longest folder that fits decides.
MAY_INCLUDE = {
    "protocol": ["protocol"],
    "sim": ["protocol", "sim"],
    "drivers": ["protocol", "drivers/kit"],
    "drivers/host": ["protocol", "drivers/host"],
    "drivers/simulated": ["protocol", "sim", "drivers/kit", "drivers/simulated"],
    "daemon": ["protocol", "daemon"],
    "daemon/spectra": ["protocol", "daemon/spectra"],
    "daemon/losses": ["protocol", "daemon/spectra", "daemon/losses"],
    "daemon/analysis": ["protocol", "daemon/spectra", "daemon/losses", "daemon/analysis"],
    "daemon/calibration": ["protocol", "daemon/spectra", "daemon/calibration"],
    "client": ["protocol", "client", "daemon/spectra", "daemon/losses", "daemon/analysis", "daemon/calibration"],
    "tests": ["protocol", "sim", "drivers", "daemon", "client", "tests"],
}
# Only the wiring sees the real clock, disk and processes.
PLATFORM_USERS = ("daemon/platform/", "daemon/main.cpp", "tests/")

CLOCKS = re.compile(r"::now\(|\bclock_gettime\b|\bsystem_clock\b|\bgettimeofday\b|(?<![\w.])s?rand\(|\brandom_device\b"
                    r"|\bgetrandom\(|(?<![\w.>])time\((?:0|NULL|nullptr)\)")
# Places that may look at a real clock or at chance, and why.
CLOCK_USERS = {
    "daemon/platform/": "the real clock and chance, handed to all others",
    "protocol/clock/": "world time is a function of the machine's monotonic clock",
    "drivers/host/": "a host's safety time: leases and time limits of driver calls",
    "drivers/kit/conformance.h": "the suite for driver authors waits for real devices",
    "protocol/rpc/client.cpp": "how long a command waits for its answer",
    "client/cli/follow.cpp": "the pace on the screen",
    "client/cli/set_up.cpp": "the pace on the screen",
    "client/cli/today.cpp": "the date, for ages of records",
    "tests/": "tests of real processes wait for them",
}

LARGEST = 1 << 20
SOURCES = {".cpp", ".h", ".c"}


def files_of(root):
    """All files of the tree as paths relative to it; no builds, no version control."""
    for path in sorted(root.rglob("*")):
        relative = path.relative_to(root)
        first = relative.parts[0]
        if first == ".git" or first == "build" or first.startswith("build-") or "__pycache__" in relative.parts:
            continue
        if path.is_file() and not path.is_symlink():
            yield relative


def rule_for(relative):
    """The folders that a file may include from."""
    fitting = [folder for folder in MAY_INCLUDE if relative.as_posix().startswith(folder + "/")]
    return MAY_INCLUDE[max(fitting, key=len)] if fitting else None


def own_folder(relative):
    return relative.parent.as_posix()


def without_comments(text):
    """Comments blanked, lines kept. Good enough: a // inside a string only hides the rest of that line."""
    text = re.sub(r"/\*.*?\*/", lambda found: "\n" * found.group().count("\n"), text, flags=re.S)
    return re.sub(r"//[^\n]*", "", text)


def check_top(root):
    for path in sorted(root.iterdir()):
        name = path.name
        if not (name in TOP or name.startswith(".") or name == "build" or name.startswith("build-")):
            yield f"{name}: does not belong at the top; allowed: {', '.join(sorted(TOP))}, and dot-files"
    for name in sorted(TOP):
        if not (root / name).exists():
            yield f"{name}: is missing at the top"


def check_sizes(root):
    for relative in files_of(root):
        size = (root / relative).stat().st_size
        if size > LARGEST:
            yield f"{relative}: {size} bytes; at most {LARGEST}"


def check_clocks(root):
    for relative in files_of(root):
        if relative.suffix not in SOURCES or relative.as_posix().startswith(tuple(CLOCK_USERS)):
            continue
        text = without_comments((root / relative).read_text(errors="replace"))
        for number, line in enumerate(text.split("\n"), 1):
            if found := CLOCKS.search(line):
                yield f"{relative}:{number}: {found.group()} - time and chance come only through the seams"


def includes(root, relative):
    """(line number, included path) of every include of ours."""
    text = (root / relative).read_text(errors="replace")
    for number, line in enumerate(text.split("\n"), 1):
        if found := re.match(r'\s*#\s*include\s+"([^"]+)"', line):
            yield number, found.group(1)


def check_includes(root):
    for relative in files_of(root):
        allowed = rule_for(relative)
        if relative.suffix not in SOURCES or allowed is None:
            continue
        for number, target in includes(root, relative):
            where = f"{relative}:{number}: includes {target}"
            if "/" not in target and relative.parts[0] == "tests":
                continue  # a test's own helper beside it
            if "/" not in target or target.startswith("."):
                yield f"{where} - write the path from the top"
            elif (not target.startswith(tuple(folder + "/" for folder in allowed)) and
                  pathlib.PurePosixPath(target).parent.as_posix() != own_folder(relative)):
                yield f"{where} - {own_folder(relative)} may include {', '.join(allowed)}"
            elif target.startswith("daemon/platform/") and not relative.as_posix().startswith(PLATFORM_USERS):
                yield f"{where} - only daemon/main.cpp sees daemon/platform"


def check_circles(root):
    """Folders that include each other, directly or on a way round."""
    graph = {}
    for relative in files_of(root):
        if relative.suffix in SOURCES and relative.parts[0] != "tests":
            for _, target in includes(root, relative):
                other = pathlib.PurePosixPath(target).parent.as_posix()
                if other not in (".", own_folder(relative)):
                    graph.setdefault(own_folder(relative), set()).add(other)
    done, path = set(), []

    def visit(folder):
        if folder in path:
            yield "circle of folders: " + " -> ".join(path[path.index(folder):] + [folder])
        elif folder not in done:
            path.append(folder)
            for other in sorted(graph.get(folder, ())):
                yield from visit(other)
            path.pop()
            done.add(folder)

    for folder in sorted(graph):
        yield from visit(folder)


def help_of(program, *words):
    return subprocess.run([program, *words, "--help"], check=True, capture_output=True, text=True).stdout


def check_readme(root, program):
    """Every command and option of the program stands in README.md."""
    if not (root / "README.md").exists():
        return
    readme = (root / "README.md").read_text()
    page = help_of(program)
    listed = page.split("Subcommands:\n", 1)[1].split("\n\n", 1)[0]
    commands = re.findall(r"^  ([a-z][a-z-]*) ", listed, flags=re.M)
    if not commands:
        yield f"{program} --help lists no commands: this check is out of date"
    for command in commands:
        if f"`creel {command}" not in readme:
            yield f"README.md: the command `creel {command}` is not there"
    for words in [(), *[(command,) for command in commands]]:
        options = help_of(program, *words).split("Options:\n", 1)[-1].split("\n\n", 1)[0]
        for option in re.findall(r"--[a-z][a-z-]*", options):
            if option not in readme:
                yield f"README.md: the option {option} of creel {' '.join(words)} is not there"


def check_format(root, program):
    sources = [relative.as_posix() for relative in files_of(root) if relative.suffix in SOURCES]
    for start in range(0, len(sources), 100):
        ran = subprocess.run([program, "--dry-run", "--ferror-limit=1", *sources[start:start + 100]], cwd=root,
                             capture_output=True, text=True, check=False)
        for name in sorted(set(re.findall(r"^([^\s:]+):\d+:\d+:", ran.stderr, flags=re.M))):
            yield f"{name}: not laid out as clang-format does; run clang-format -i"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("root", type=pathlib.Path)
    parser.add_argument("--creel")
    parser.add_argument("--clang-format")
    given = parser.parse_args()
    root = given.root.resolve()
    checks = [check_top(root), check_sizes(root), check_clocks(root), check_includes(root), check_circles(root)]
    if given.creel:
        checks.append(check_readme(root, given.creel))
    if given.clang_format:
        checks.append(check_format(root, given.clang_format))
    faults = [fault for check in checks for fault in check]
    print("\n".join(faults) if faults else "tidy")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
