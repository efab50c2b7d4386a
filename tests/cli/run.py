#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The program from outside: run.py COLDJOINT FIXTURES/captures [part of a test's name]

Every test that does not hold is named with what was wrong; the last line counts.
"""
import os
import sys
import tempfile

import arguments
import board
import captures
import errors
import hostile
import log
import pages
import stats
import stimuli
from bench import Bench, Failure, Skip


def run_one(name, test):
    """'passed', 'failed' or 'skipped', and says which and why where it is not the first."""
    try:
        test()
    except Skip as why:
        print(f"skipped  {name}: {why}")
        return "skipped"
    except Failure as why:
        print(f"FAILED   {name}: {why}")
        return "failed"
    except (KeyError, IndexError, TypeError, ValueError, OSError) as why:
        print(f"FAILED   {name}: {type(why).__name__} {why}: the answer lacks something")
        return "failed"
    return "passed"


def main():
    if len(sys.argv) not in (3, 4):
        sys.exit(__doc__)
    wanted = sys.argv[3] if len(sys.argv) == 4 else ""
    counts = {"passed": 0, "failed": 0, "skipped": 0}
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2]), folder)
        for part in (captures, arguments, errors, board, stimuli, log, stats, hostile, pages):
            for name, test in part.tests(bench):
                if wanted in name:
                    counts[run_one(name, test)] += 1
    skipped = f", {counts['skipped']} skipped" if counts["skipped"] else ""
    print(f"{counts['passed']} passed, {counts['failed']} failed{skipped}")
    return 1 if counts["failed"] or not counts["passed"] else 0


if __name__ == "__main__":
    sys.exit(main())
