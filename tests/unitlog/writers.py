#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Writers that are killed, and writers at the same time:

    writers.py kill WRITER TIMES [no-sync]     SIGKILL at TIMES random instants while runs are recorded
    writers.py many WRITER RUNS [no-sync]      two, then eight writers at once, RUNS runs in all each time
    writers.py begin WRITER LOGS [no-sync]     LOGS logs, each begun by four writers of one run at once

After each: every run that was reported as recorded is there and whole, nothing is there by halves, PRAGMA integrity_check
is ok, and the next writer works.
"""
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time

FIGURES, LIMITS = 24, 4  # of each run of writer.c
SEED = 20261128  # only makes a run repeatable: the instants are those of the machine


def fail(text):
    sys.exit(f"FAILED: {text}")


def look(path):
    """The UUIDs that are there; ends the program where anything is half."""
    with sqlite3.connect(path, timeout=60) as db:
        checked = db.execute("PRAGMA integrity_check").fetchone()[0]
        if checked != "ok":
            fail(f"integrity_check says {checked}")
        if db.execute("PRAGMA foreign_key_check").fetchone():
            fail("a row refers to one that is not there")
        rows = db.execute("SELECT lower(hex(uuid)), (SELECT count(*) FROM run_figures f WHERE f.run = r.id),"
                          " (SELECT count(*) FROM run_limits l WHERE l.run = r.id),"
                          " (SELECT count(*) FROM findings x WHERE x.run = r.id) FROM runs r").fetchall()
    db.close()
    for uuid, *parts in rows:
        if parts != [FIGURES, LIMITS, 1]:
            fail(f"run {uuid} has {parts} figures, limits and findings")
    return {row[0] for row in rows}


def reported(text):
    """Whole lines only: what was being said when the writer died was not said."""
    return {line.strip().replace("-", "") for line in text.splitlines(True) if line.endswith("\n")}


def kill_one(command, heard, pause):
    """Kills the writer after a pause, from its start on or (heard) from its first recorded run on; what it said."""
    with tempfile.TemporaryFile("w+") as out:
        running = subprocess.Popen(command, stdout=out, stderr=subprocess.PIPE, text=True)
        while heard and os.fstat(out.fileno()).st_size == 0 and running.poll() is None:
            time.sleep(0.0005)
        time.sleep(pause)
        running.send_signal(signal.SIGKILL)
        err = running.communicate()[1]
        if running.returncode != -signal.SIGKILL:
            fail(f"the writer ended by itself, {running.returncode}: {err}")
        out.seek(0)
        return reported(out.read())


def kill(writer, times, options, folder):
    path = os.path.join(folder, "killed.db")
    chance = random.Random(SEED)
    said, early = set(), 0
    for number in range(times):
        command = [writer, path, str(100000 * number), "100000", *options]
        # one in four from its start on: opening, making the tables; the others while runs are recorded
        new = kill_one(command, number % 4 != 0, chance.uniform(0, 0.05))
        early += not new
        said |= new
        if number % 10 == 9 or number == times - 1:
            there = look(path)
            if not said <= there:
                fail(f"{len(said - there)} runs were reported and are not there")
    again = subprocess.run([writer, path, "999999", "1", *options], text=True, capture_output=True, check=False)
    if again.returncode or not reported(again.stdout) <= look(path):
        fail(f"the next add: {again.returncode} {again.stderr}")
    if not said:
        fail("no run was recorded before a kill: nothing was tested")
    there = look(path)
    print(f"killed {times} times ({early} before a run was reported): {len(said)} runs reported, all there and "
          f"whole; {len(there) - len(said) - 1} more were recorded and not reported; integrity ok; the next add works")


def together(writer, path, writers, each, options):
    """Writers at once on one log, each of as many runs; how many runs are there."""
    running = [subprocess.Popen([writer, path, str(number * each), str(each), *options], text=True,
                                stdout=subprocess.PIPE, stderr=subprocess.PIPE) for number in range(writers)]
    said = set()
    for one in running:
        out, err = one.communicate()
        if one.returncode:
            fail(f"{writers} writers: one ended with {one.returncode}: {err}")
        said |= reported(out)
    there = look(path)
    if len(said) != each * writers or there != said:
        fail(f"{writers} writers: {each * writers} runs, {len(said)} reported, {len(there)} there")
    return len(there)


def many(writer, runs, options, folder):
    for writers in (2, 8):
        start = time.monotonic()
        each = runs // writers
        there = together(writer, os.path.join(folder, f"{writers}.db"), writers, each, options)
        took = time.monotonic() - start
        print(f"{writers} writers at once: {there} runs of {each * writers} are there, {took:.1f} s")


def begin(writer, logs, options, folder):
    writers = 4
    there = sum(together(writer, os.path.join(folder, f"{number}.db"), writers, 1, options) for number in range(logs))
    print(f"{logs} logs begun by {writers} writers at once: {there} runs of {logs * writers} are there")


TESTS = {"kill": kill, "many": many, "begin": begin}


def main():
    if len(sys.argv) < 4 or sys.argv[1] not in TESTS:
        sys.exit(__doc__)
    with tempfile.TemporaryDirectory() as folder:
        TESTS[sys.argv[1]](os.path.abspath(sys.argv[2]), int(sys.argv[3]), sys.argv[4:], folder)


if __name__ == "__main__":
    main()
