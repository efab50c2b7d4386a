# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs coldjoint and holds what it does against the contract: what every test of the command line shares."""
import fnmatch
import json
import math
import os
import re
import subprocess
from dataclasses import dataclass

ERROR_LINE = re.compile(r"coldjoint: \S.*[^.\n]\n")
SANITIZER = ("AddressSanitizer", "LeakSanitizer", "runtime error:", "MemorySanitizer")


class Failure(Exception):
    """A test that did not hold, in words."""


class Skip(Exception):
    """A test that this machine cannot run."""


def expect(holds, text):
    if not holds:
        raise Failure(text)


@dataclass
class Answer:
    """What one run gave back."""
    status: int
    out: bytes
    err: str

    def json(self):
        def refuse(word):
            raise Failure(f"{word} in the JSON")

        try:
            return json.loads(self.out.decode("utf-8"), parse_constant=refuse)
        except ValueError as why:
            raise Failure(f"no JSON on standard output ({why})") from None

    @property
    def text(self):
        return self.out.decode("utf-8")


class Bench:
    """The program, and a folder to work in."""

    def __init__(self, program, captures, folder):
        self.program, self.captures, self.folder = program, captures, folder
        with open(program, "rb") as bytes_of:
            self.sanitized = b"__asan_" in bytes_of.read()  # looks at memory, and takes ten times as long

    def run(self, arguments, stdin=b"", env=None, stdout=subprocess.PIPE, lines=False):
        """One run in the folder. Holds for every run: no sanitizer speaks, and an error is one line (with
        `lines`, one or more) that begins with the program's name, with nothing on standard output."""
        environment = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLDJOINT_LOG")}
        environment.update({"LC_ALL": "C"}, **(env or {}))
        done = subprocess.run([self.program, *(one if isinstance(one, bytes) else str(one) for one in arguments)], input=stdin, stdout=stdout,
                              stderr=subprocess.PIPE, cwd=self.folder, env=environment, timeout=300,
                              check=False)
        answer = Answer(done.returncode, done.stdout or b"", done.stderr.decode("utf-8", "replace"))
        for word in SANITIZER:
            expect(word not in answer.err, f"a sanitizer speaks:\n{answer.err}")
        expect(0 <= answer.status < 128, f"killed, status {answer.status}\n{answer.err}")
        if answer.status >= 64:
            told = answer.err.splitlines(True) if lines else [answer.err]
            expect(told and all(ERROR_LINE.fullmatch(line) for line in told),
                   f"an error is one line 'coldjoint: ...' without a full stop, not {answer.err!r}")
            expect(answer.out == b"", f"something on standard output: {answer.out[:200]!r}")
        return answer

    def answer(self, *arguments, status=(0, 1, 2), **more):
        """A run of --json that has to succeed; the object."""
        given = self.run([*arguments, "--json"], **more)
        allowed = (status,) if isinstance(status, int) else status
        expect(given.status in allowed, f"exit status {given.status}, not {allowed}: {given.err}")
        found = given.json()
        check_object(found, " ".join(arguments[:2 if arguments[0] == "log" else 1]))
        if arguments[0] == "diagnose":
            wanted = {"healthy": 0, "fault": 1, "undecided": 2}[found["verdict"]]
            expect(given.status == wanted, f"exit status {given.status} for {found['verdict']}")
        found["status"] = given.status
        return found

    def error(self, status, glob, *arguments, **more):
        """A run that has to fail."""
        given = self.run(arguments, **more)
        expect(given.status == status, f"exit status {given.status}, not {status}: {given.err}")
        line = given.err.rstrip("\n")
        expect(fnmatch.fnmatchcase(line, glob), f"{line!r} is not like {glob!r}")

    def capture(self, name):
        return os.path.join(self.captures, name)

    def write(self, name, content):
        path = os.path.join(self.folder, name)
        with open(path, "wb") as out:
            out.write(content if isinstance(content, bytes) else content.encode())
        return name


# ---- what every JSON answer keeps ----

def check_figure(name, figure):
    expect("value" in figure, f"figure {name} has no value")
    value = figure["value"]
    if value is None:
        expect(figure.get("why"), f"{name} is null without a reason")
        return
    expect("below" not in figure and "above" not in figure, f"{name} has a value and a bound")
    if isinstance(value, str):
        return
    expect(math.isfinite(value), f"{name} is {value}")
    expect(figure.get("unit"), f"{name} has no unit")
    u = figure.get("u")
    expect(u is None or (math.isfinite(u) and u >= 0), f"{name} has the uncertainty {u}")


def figure_sets(found):
    for channel in found.get("channels", []):
        yield channel["figures"]
    for capture in found.get("captures", []):
        for channel in capture.get("selected", []):
            yield channel["figures"]
    for step in found.get("steps", []):
        for key in ("measured", "predicted_healthy", "figures"):
            if key in step:
                yield step[key]
    if "pair" in found:
        yield found["pair"]["figures"]


def check_fault(fault):
    if "together" in fault:
        expect(len(fault["together"]) > 1, f"{fault}: one fault together with nothing")
        for one in fault["together"]:
            check_fault(one)
        return
    expect(fault.get("fault") and "part" in fault, f"{fault} is no fault")
    if fault["fault"] == "outside":
        expect(fault["part"] is None and fault.get("role"), f"{fault} has a part or no role")


def check_finding(rank, finding, origins=("rules",)):
    for key in ("rank", "probability", "faults", "says", "evidence", "check", "from"):
        expect(key in finding, f"finding {rank} has no {key}")
    expect(finding["rank"] == rank, f"finding {rank} has rank {finding['rank']}")
    expect(0 < finding["probability"] <= 1, f"finding {rank}: probability {finding['probability']}")
    expect(finding["faults"], f"finding {rank} names no fault")
    expect(finding["evidence"], f"finding {rank} has no evidence")
    expect(finding["from"] in origins, f"finding {rank} is from {finding['from']}")
    expect(finding["says"] and finding["check"], f"finding {rank} has no words")
    for evidence in finding["evidence"]:
        for key in ("figure", "measured", "expected", "healthy"):
            expect(key in evidence, f"evidence of finding {rank} has no {key}")
    for fault in finding["faults"]:
        check_fault(fault)


def check_object(found, kind):
    expect(isinstance(found, dict), "the answer is no object")
    expect(found.get("coldjoint") == kind, f"the answer is a {found.get('coldjoint')}, not a {kind}")
    expect(found.get("version") == 1, f"version {found.get('version')}")
    for figures in figure_sets(found):
        for name, figure in figures.items():
            check_figure(name, figure)
    if kind == "compare":
        expect(found["match"] in ("match", "differ", "undecided"), f"match is {found['match']}")
        check_findings(found["findings"], ("rules",))
    if kind == "diagnose":
        check_diagnosis(found)


def check_findings(findings, origins):
    for rank, finding in enumerate(findings, 1):
        check_finding(rank, finding, origins)
    shares = [finding["probability"] for finding in findings]
    expect(shares == sorted(shares, reverse=True), f"findings are not best first: {shares}")
    expect(sum(shares) <= 1 + 1e-9, f"probabilities sum to {sum(shares)}")


def check_diagnosis(found):
    """Contract, section 5."""
    expect(found["verdict"] in ("healthy", "fault", "undecided"), f"verdict {found['verdict']}")
    check_findings(found["findings"], ("board", "rules"))
    expect(0 <= found["unexplained"] <= 1, f"unexplained {found['unexplained']}")
    for following in found["next"]:
        expect(("step" in following) != ("probe" in following), f"next {following}")
        expect(following["bits"] >= 0, f"bits {following['bits']}")
        for one in following["expect"]:
            expect(one["if"] is None or check_fault(one["if"]) is None, f"expect {one}")
            for name, figure in one["reads"].items():
                check_figure(name, figure)
    read = [step["step"] for step in found["steps"]]
    expect(not set(read) & set(found["open_steps"]), "a step is both read and open")
