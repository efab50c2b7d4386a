#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The house rules, as checks: house.py CHECK TOP [ARGUMENT...]

Each check returns a list of complaints; one is a failure. test_house.py shows that each can fail.
"""

import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

# Top to bottom; a room uses only those above it.
ROOMS = ["base", "capture", "signal", "figures", "board", "circuit", "diagnosis", "verdict", "unitlog", "report"]
# Beside the order: these two know nothing of each other.
STRANGERS = {("board", "capture"), ("capture", "board")}
TOP = {"lib", "include", "cli", "tests", "fixtures", "meson.build", "README.md", "DEVELOPERS.md", "LICENSE"}
FILE_LINES, FILE_LINES_WARN, FUNCTION_LINES = 800, 600, 100
# Allocation has one home (lib/base/memory.c); a library neither prints nor ends its host, nor changes its locale.
ALLOCATION = ["malloc", "calloc", "realloc", "reallocarray", "free", "strdup", "strndup", "asprintf", "vasprintf"]
FORBIDDEN = ["printf", "vprintf", "puts", "putchar", "perror", "exit", "_exit", "quick_exit", "abort",
             "setlocale", "uselocale", "srand", "rand", "strtok", "gets", "sprintf", "strcat"]
# GSL's default error handler ends the process. A library must not swap a handler that is its host's, so lib/
# calls only functions of GSL that never reach it for any argument; each is listed here with the reason.
GSL_QUIET = {
    "gsl_cdf_ugaussian_Q", "gsl_cdf_ugaussian_Pinv",  # rational approximations of any argument, no error path
}


def sources(top, *folders, suffixes=(".c", ".h")):
    for folder in folders:
        for path in sorted((top / folder).rglob("*")):
            if path.suffix in suffixes and path.is_file():
                yield path


def read(path):
    return path.read_text(encoding="utf-8", errors="replace")


def without_comments(text):
    """Comments and the insides of strings blanked, line numbers kept."""
    def blank(match):
        kept = match.group(0)
        if kept[0] in "\"'":
            return kept[0] * 2 + "\n" * kept.count("\n")
        return " " + "\n" * kept.count("\n")
    return re.sub(r'/\*.*?\*/|//[^\n]*|"(?:\\.|[^"\\\n])*"|\'(?:\\.|[^\'\\\n])*\'', blank, text, flags=re.S)


def calls(path, names):
    """(line, name) of each call of one of the names."""
    pattern = re.compile(r"(?<![\w.>])(" + "|".join(map(re.escape, names)) + r")\s*\(")
    for number, line in enumerate(without_comments(read(path)).splitlines(), 1):
        for match in pattern.finditer(line):
            yield number, match.group(1)


def room_of_include(name):
    """The room an include belongs to, None where it is not ours."""
    parts = name.split("/")
    if len(parts) == 2 and parts[0] == "coldjoint":
        return parts[1].removesuffix(".h")
    if len(parts) == 2 and parts[0] in ROOMS:
        return parts[0]
    return None


def check_includes(top):
    """Includes go upward only; cli/ knows the public headers and its own."""
    complaints = []
    include = re.compile(r'^\s*#\s*include\s*[<"]([^>"]+)[>"]', re.M)
    for path in list(sources(top, "lib")) + list(sources(top, "include")):
        room = path.parent.name if "lib" in path.relative_to(top).parts else path.stem
        if room == "coldjoint":
            continue  # the header of all headers
        if room not in ROOMS:
            complaints.append(f"{path.relative_to(top)}: '{room}' is no room of the house")
            continue
        for name in include.findall(read(path)):
            other = room_of_include(name)
            if other is None:
                continue
            if other not in ROOMS or ROOMS.index(other) > ROOMS.index(room) or (room, other) in STRANGERS:
                complaints.append(f"{path.relative_to(top)}: {room} must not include {name}")
    for path in sources(top, "cli"):
        for name in include.findall(read(path)):
            ours = room_of_include(name) is not None or (top / "lib" / name).exists()
            if ours and not (name.startswith("coldjoint/") and (top / "include" / name).exists()):
                complaints.append(f"{path.relative_to(top)}: cli uses public headers only, not {name}")
    return complaints


def declared(top):
    """Names of the functions that public headers declare CJ_API."""
    names = set()
    for path in sources(top, "include", suffixes=(".h",)):
        text = re.sub(r"^\s*#.*?(?<!\\)$", "", without_comments(read(path)), flags=re.M | re.S)
        for statement in re.findall(r"\bCJ_API\b([^;{]*)[;{]", text):
            match = re.search(r"\b(cj_\w+)\s*\(", statement)
            if match:
                names.add(match.group(1))
    return names


def check_symbols(top, library):
    """The library exports what the public headers declare, no more and no less."""
    listing = subprocess.run(["nm", "-D", "--defined-only", library], check=True, capture_output=True, text=True)
    # a sanitizer's own names begin with two underscores
    exported = {line.split()[-1].split("@")[0] for line in listing.stdout.splitlines()}
    exported = {name for name in exported if not name.startswith("__") and name not in ("_init", "_fini")}
    public = declared(top)
    return ([f"exported, but in no public header: {name}" for name in sorted(exported - public)] +
            [f"declared, but not exported: {name}" for name in sorted(public - exported)])


def check_headers(top, *compiler):
    """Each public header compiles alone, as pedantic C17 and, where there is a compiler, as C++."""
    runs = [("C", list(compiler), ["-x", "c", "-std=c17"])]
    plus = shutil.which("c++") or shutil.which("clang++")
    if plus:
        runs.append(("C++", [plus], ["-x", "c++", "-std=c++17"]))
    else:
        print("no C++ compiler: headers were compiled as C alone")
    complaints = []
    for path in sources(top, "include", suffixes=(".h",)):
        for language, command, options in runs:
            with tempfile.TemporaryDirectory() as folder:
                source = pathlib.Path(folder) / "alone.c"
                source.write_text(f'#include "{path.relative_to(top / "include")}"\nextern int cj_nothing;\n')
                result = subprocess.run(command + options + ["-pedantic-errors", "-Wall", "-Wextra", "-Werror",
                                        f"-I{top / 'include'}", "-fsyntax-only", str(source)],
                                        capture_output=True, text=True)
            if result.returncode:
                complaints.append(f"{path.relative_to(top)} as {language}:\n{result.stderr}")
    return complaints


def check_calls(top):
    """No allocation outside memory.c; no printing, exiting or changing of the locale in lib/."""
    complaints = []
    for path in sources(top, "lib"):
        names = FORBIDDEN if path == top / "lib/base/memory.c" else ALLOCATION + FORBIDDEN
        complaints += [f"{path.relative_to(top)}:{line}: {name} has no place in lib/" for line, name in calls(path, names)]
        text = without_comments(read(path))
        complaints += [f"{path.relative_to(top)}: {name} has no place in lib/"
                       for name in set(re.findall(r"\b(stdout|stderr)\b", text))]
        complaints += [f"{path.relative_to(top)}: {name}() may reach GSL's error handler, which ends the process; "
                       "see GSL_QUIET in tests/house/house.py"
                       for name in set(re.findall(r"\b(gsl_\w+)\s*\(", text)) - GSL_QUIET]
    return complaints


def functions(text):
    """(first line, lines) of each function: in our layout its braces stand in column 0."""
    start = None
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if line == "{" and start is None:
            start = number
            while start > 0 and lines[start - 1].strip() and not re.match(r"[}#]|.*[;*]/?$", lines[start - 1]):
                start -= 1
        elif line == "}" and start is not None:
            yield start + 1, number - start + 1
            start = None


def check_lengths(top):
    """No file over 800 lines (a word from 600 on), no function over 100."""
    complaints = []
    for path in sources(top, "lib", "cli", "include"):
        text = read(path)
        count = text.count("\n")
        if count > FILE_LINES:
            complaints.append(f"{path.relative_to(top)}: {count} lines, more than {FILE_LINES}: split it by job")
        elif count > FILE_LINES_WARN:
            print(f"{path.relative_to(top)}: {count} lines, soon too long")
        complaints += [f"{path.relative_to(top)}:{line}: a function of {length} lines, more than {FUNCTION_LINES}"
                       for line, length in functions(text) if length > FUNCTION_LINES]
    return complaints


def check_top(top):
    """The top level holds the agreed names, dot files and build folders, no more."""
    there = {path.name for path in top.iterdir() if not path.name.startswith(".") and not path.name.startswith("build")}
    return ([f"{name}: has no place at the top" for name in sorted(there - TOP)] +
            [f"{name}: is missing" for name in sorted(TOP - there)])


def check_version(top):
    """meson.build and base.h say the same version."""
    build = re.search(r"version:\s*'(\d+)\.(\d+)\.(\d+)'", read(top / "meson.build"))
    header = read(top / "include/coldjoint/base.h")
    parts = [re.search(rf"#define CJ_VERSION_{part} (\d+)", header) for part in ("MAJOR", "MINOR", "PATCH")]
    if not build or not all(parts):
        return ["the version was not found in meson.build or base.h"]
    numbers = tuple(part.group(1) for part in parts)
    return [] if build.groups() == numbers else [f"meson.build says {build.groups()}, base.h {numbers}"]


def tracked(top):
    """What git keeps, or where there is no git, every file but build folders and dot folders."""
    try:
        # somebody else's clone is fine: nothing is run from it
        listing = subprocess.run(["git", "-c", "safe.directory=*", "-C", str(top), "ls-files", "-z"], check=True,
                                 capture_output=True)
        names = [name.decode() for name in listing.stdout.split(b"\0") if name]
        if names:
            return [top / name for name in names if (top / name).is_file()]
    except (OSError, subprocess.CalledProcessError):
        pass
    return [path for path in sorted(top.rglob("*")) if path.is_file() and
            not any(re.match(r"build|\.git$|__pycache__", part) for part in path.relative_to(top).parts)]


def check_paths(top):
    """No folder of one machine and no package host in what is kept."""
    # put together from pieces so that this file does not hold what it looks for
    folders = "|".join(["work", "root", "tmp", "home/[a-z]", "Users/"])
    pattern = re.compile(rf"(?<![\w.$/}}*])/({folders})(?![\w-])|\b(deb|pypi|registry)\.(debian|org|npmjs)\b")
    complaints = []
    for path in tracked(top):
        data = path.read_bytes()
        if b"\0" in data[:4096] or path.name == "LICENSE":
            continue
        for number, line in enumerate(data.decode("utf-8", "replace").splitlines(), 1):
            match = pattern.search(line)
            if match:
                complaints.append(f"{path.relative_to(top)}:{number}: '{match.group(0)}' belongs to one machine")
    return complaints


CHECKS = {"includes": check_includes, "symbols": check_symbols, "headers": check_headers, "calls": check_calls,
          "lengths": check_lengths, "top": check_top, "version": check_version, "paths": check_paths}


def main():
    name, top, *arguments = sys.argv[1:]
    complaints = CHECKS[name](pathlib.Path(top), *arguments)
    print("\n".join(complaints))
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
