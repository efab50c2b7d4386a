#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Each check of house.py finds what it is there for, in a small house that breaks every rule."""

import pathlib
import subprocess
import sys
import tempfile
import unittest

import house

COMPILER = []  # from the command line
BASE_H = """#define CJ_API
#define CJ_VERSION_MAJOR 0
#define CJ_VERSION_MINOR 1
#define CJ_VERSION_PATCH 0
CJ_API int cj_here(void);
CJ_API int cj_nowhere(int a,
                      int b);
"""


class House(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory()
        self.top = pathlib.Path(self.folder.name)

    def tearDown(self):
        self.folder.cleanup()

    def write(self, name, text):
        path = self.top / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def found(self, complaints, *parts):
        for part in parts:
            self.assertTrue(any(part in complaint for complaint in complaints), f"{part} not in {complaints}")
        self.assertEqual(len(complaints), len(parts), complaints)

    def test_includes(self):
        self.write("lib/signal/a.c", '#include "figures/internal.h"\n#include "base/yaml.h"\n#include <math.h>\n')
        self.write("lib/board/b.c", '#include "coldjoint/capture.h"\n')
        self.write("lib/attic/c.c", "\n")
        self.write("include/coldjoint/base.h", '#include "coldjoint/report.h"\n')
        self.write("include/coldjoint/report.h", '#include "coldjoint/base.h"\n')
        self.write("cli/d.c", '#include "report/internal.h"\n#include "coldjoint/report.h"\n#include "cli.h"\n')
        self.found(house.check_includes(self.top), "signal must not include figures/internal.h",
                   "board must not include coldjoint/capture.h", "'attic' is no room",
                   "base must not include coldjoint/report.h", "not report/internal.h")

    def test_symbols(self):
        self.write("include/coldjoint/base.h", BASE_H)
        self.write("a.c", "int cj_here(void) { return 0; } int cj__inside(void) { return 1; }\n")
        library = str(self.top / "a.so")
        subprocess.run([*COMPILER, "-shared", "-fPIC", "-o", library, str(self.top / "a.c")], check=True)
        self.found(house.check_symbols(self.top, library), "in no public header: cj__inside", "not exported: cj_nowhere")

    def test_headers(self):
        self.write("include/coldjoint/base.h", "size_t cj_needs_stddef(void);\n")
        self.write("include/coldjoint/good.h", "int cj_needs_nothing(void);\n")
        complaints = house.check_headers(self.top, *COMPILER)
        self.assertTrue(complaints)
        self.assertTrue(all("base.h" in complaint for complaint in complaints))

    def test_calls(self):
        self.write("lib/base/memory.c", "void *cj_new(void) { return malloc(1); }\n")
        self.write("lib/base/a.c", '/* malloc(1) */\nchar *a = "exit(1)";\nvoid b(void)\n{\n    cj_free(0);\n'
                                   "    x->free(0);\n    free(0);\n    fputs(a, stderr);\n    gsl_fit_linear(0);\n}\n")
        self.found(house.check_calls(self.top), "a.c:7: free", "stderr", "gsl_fit_linear")

    def test_lengths(self):
        self.write("lib/base/a.c", "\n" * 801)
        self.write("lib/base/b.c", "int f(void)\n{\n" + "    ;\n" * 97 + "}\n\nint g(int a,\n      int b)\n{\n" +
                   "    ;\n" * 98 + "}\n")
        self.write("cli/a.c", "\n" * 800)
        self.found(house.check_lengths(self.top), "a.c: 801 lines", "b.c:102: a function of 102 lines")

    def test_top(self):
        for name in house.TOP - {"LICENSE"}:
            self.write(name, "")
        self.write("notes.txt", "")
        self.write(".hidden", "")
        self.found(house.check_top(self.top), "notes.txt", "LICENSE: is missing")

    def test_version(self):
        self.write("include/coldjoint/base.h", BASE_H)
        self.write("meson.build", "project('a', 'c', version: '0.1.0')\n")
        self.found(house.check_version(self.top))
        self.write("meson.build", "project('a', 'c', version: '0.2.0')\n")
        self.found(house.check_version(self.top), "base.h")

    def test_paths(self):
        self.write("a.txt", "a /" + "tmp/x\nb build/" + "tmp/x\nc http://deb." + "debian.org\nd /" + "rooted\n")
        self.found(house.check_paths(self.top), "a.txt:1", "a.txt:3")


if __name__ == "__main__":
    COMPILER.extend(sys.argv[1:])
    unittest.main(argv=sys.argv[:1])
