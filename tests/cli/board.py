# SPDX-License-Identifier: GPL-3.0-or-later
"""With a board: what `board` says of each board file, every kind of evidence `diagnose` takes, what is refused."""
import glob
import math
import os
import random
import re
import shutil

from bench import check_fault, expect

SMALL = """board: small
rails: {v+: 12, v-: -12}
inputs: [{net: in1, source: 50}]
outputs: [{net: out, load: 1M}]
parts:
  - {ref: R1, kind: resistor, value: 100k, tolerance: 1%, pins: [in1, bus]}
  - {ref: R2, kind: resistor, value: 100k, tolerance: 1%, pins: [bus, out]}
  - {ref: U1, kind: opamp, type: TL072, pins: [out, bus, gnd]}
steps:
  - {step: tone, drive: in1, tone: {hz: 1000, peak: 1}, see: [in1, out]}
  - {step: quiet, drive: none, see: [out]}
  - {step: cold, power: off, drive: none, see: [bus]}
limits:
  - {step: tone, figure: gain_db, min: -0.3, max: 0.3}
  - {from: tolerance, sigmas: 3}
"""

HEADER = "step,figure,net,value,u\n"


def mixer(bench):
    return os.path.join(bench.captures, "..", "boards", "hall-mixer.yaml")


def unit(bench):
    return os.path.join(bench.captures, "..", "units", "vh07")


def small(bench):
    return bench.write("small.yaml", SMALL)


# ---- board ----

def board_answer(bench, path):
    """Contract, section 5, of every board file there is; and numbers that hang together."""
    found = bench.answer("board", path, status=0)
    names = [step["step"] for step in found["steps"]]
    expect(names and len(set(names)) == len(names), f"steps {names}")
    figures = [(step["step"], key, one) for step in found["steps"] for key, one in step["figures"].items()]
    told = [one for one in figures if isinstance(one[2]["value"], float)]
    expect(told, "no figure at all")
    for step, key, one in told:
        expect(one["spread"] is None or one["spread"] >= 0, f"{step} {key}: spread {one['spread']}")
    expect(found["faults"] > 0, "no faults")
    expect(0 < found["rank"]["rank"] <= found["rank"]["parts"], f"rank {found['rank']}")
    for group in found["groups"]:
        expect(len(group) > 1, f"a group of {len(group)}")
        for fault in group:
            check_fault(fault)
    for fault in found["unseen"]:
        check_fault(fault)
    expect(len(found["unseen"]) <= found["faults"], "more unseen faults than faults")
    for limit in found["undecidable"]:
        expect("figure" in limit or limit.get("from") == "tolerance", f"limit {limit}")


def board_text(bench):
    answer = bench.run(["board", mixer(bench)])
    expect(answer.status == 0, f"status {answer.status}: {answer.err}")
    for word in ("hall-mixer", "in1-left", "quiet-mono", "gain", "combinations"):
        expect(word in answer.text, f"the answer does not say {word}")
    wide = [line for line in answer.text.splitlines() if len(line) > 80]
    expect(not wide, f"more than 80 columns: {wide[:2]}")


def board_numbers(bench):
    """The inverter of the small board: gain 1 from equal resistors, spread of two 1 % resistors,
    rectangular: 0.01 / sqrt(3) each."""
    found = bench.answer("board", small(bench), status=0)
    gain = found["steps"][0]["figures"]["gain_db"]
    expect(abs(gain["value"]) < 0.01, f"gain {gain}")
    wanted = 8.6859 * 0.01 / 3**0.5 * 2**0.5
    expect(abs(gain["spread"] - wanted) < 0.1 * wanted, f"spread {gain['spread']}, not {wanted}")


def many_errors(bench):
    """All that is wrong, a line each, at most twenty; status 65; nothing on standard output."""
    bench.write("three.yaml", SMALL.replace("kind: resistor, value: 100k, tolerance: 1%, pins: [in1, bus]",
                                            "kind: resitor, pins: [in1, bus]")
                .replace("see: [out]}", "see: [ouch]}").replace("load: 1M", "laod: 1M"))
    answer = bench.run(["board", "three.yaml"], lines=True)
    lines = answer.err.splitlines()
    expect(answer.status == 65, f"status {answer.status}")
    expect(len(lines) >= 3, f"{len(lines)} lines: {answer.err}")
    for line in lines:
        expect(re.match(r"coldjoint: three\.yaml:\d+:\d+: \S", line), f"{line!r} names no place")
    for word in ("resitor", "ouch", "laod"):
        expect(word in answer.err, f"nothing about {word}")
    steps = "".join(f"  - {{step: s{n}, drive: none, see: [n{n}]}}\n" for n in range(40))
    bench.write("forty.yaml", SMALL.replace("limits:\n", steps + "limits:\n"))
    answer = bench.run(["board", "forty.yaml"], lines=True)
    expect(answer.status == 65 and len(answer.err.splitlines()) == 20,
           f"status {answer.status}, {len(answer.err.splitlines())} lines")
    same = bench.run(["diagnose", "forty.yaml", "quiet:dc_v=1"], lines=True)
    expect(same.err == answer.err and same.status == 65, "diagnose says something else")


def warnings(bench):
    bench.write("lone.yaml", SMALL.replace("pins: [bus, out]}", "pins: [bus, out]}\n"
                                           "  - {ref: R3, kind: resistor, value: 1k, pins: [out, lone]}"))
    answer = bench.run(["board", "lone.yaml"])
    expect(answer.status == 0 and "lone" in answer.err, f"status {answer.status}: {answer.err!r}")
    expect(answer.err.startswith("coldjoint: lone.yaml:"), f"{answer.err!r} names no place")
    expect(bench.run(["board", "lone.yaml", "-q"]).err == "", "-q does not silence it")


# ---- diagnose ----

def same(one, other, but=()):
    for key in one:
        if key not in but:
            expect(one[key] == other.get(key), f"the answers differ in {key}")


def demo_names_the_pin(bench):
    found = bench.answer("diagnose", mixer(bench), unit(bench), status=1)
    expect(found["verdict"] == "fault", f"verdict {found['verdict']}")
    first = found["findings"][0]
    pin = {"fault": "open-pin", "part": "U1", "pin": 7}
    expect(any(pin.items() <= fault.items() for fault in first["faults"]), f"first is {first['faults']}")
    # these steps cannot tell it from its neighbour, the answer says what can, and that settles it
    expect(found["next"][0].get("probe") == "b1" and found["next"][0]["during"] == "right-high", str(found["next"][0]))
    settled = bench.answer("diagnose", mixer(bench), unit(bench), "right-high:tone_peak_v@b1=610m", status=1)
    only = settled["findings"][0]
    expect(len(only["faults"]) == 1 and pin.items() <= only["faults"][0].items(), f"settled on {only['faults']}")
    expect("U1" in only["says"] and "7" in only["says"], only["says"])
    expect(first["from"] == "board", f"from {first['from']}")
    expect([step["step"] for step in found["steps"]] ==
           ["in1-left", "in1-right", "in2-right", "right-high", "quiet"], "steps are not those of the folder")
    for step in found["steps"]:
        expect(os.path.basename(step["file"]) == step["step"] + ".csv", f"file {step['file']}")
        expect(step["measured"] and step["predicted_healthy"], f"{step['step']} has no figures")
    expect("in1-left" not in found["open_steps"] and "mono" in found["open_steps"], "open_steps")


def text_fits(bench):
    answer = bench.run(["diagnose", mixer(bench), unit(bench)])
    lines = answer.text.splitlines()
    expect(answer.status == 1 and lines[0].startswith("FAULT: "), f"{answer.status}, {lines[:1]}")
    expect(len(lines) <= 40 and max(map(len, lines)) <= 80,
           f"{len(lines)} lines of up to {max(map(len, lines))} columns")
    for word in ("U1 pin 7", "measured", "with this fault", "healthy", "What to do next", "Power off"):
        expect(word in answer.text, f"the answer does not say {word}")


def named_captures(bench):
    """STEP=CAPTURE of each file is the folder over again."""
    folder = bench.answer("diagnose", mixer(bench), unit(bench))
    names = [f"{step['step']}={step['file']}" for step in folder["steps"]]
    same(folder, bench.answer("diagnose", mixer(bench), *reversed(names)))


def typed_and_file(bench):
    """Readings typed and readings in a file are the same readings."""
    typed = ["quiet:dc_v@left_out=12m~1m", "in1-left:gain_db=-0.1", "quiet:dc_v@right_sum=-10.4 V"]
    bench.write("r.csv", HEADER + "quiet,dc_v,left_out,0.012,0.001\nin1-left,gain_db,,-0.1,\n"
                "quiet,dc_v,right_sum,-10.4,\n")
    one = bench.answer("diagnose", mixer(bench), *typed)
    other = bench.answer("diagnose", mixer(bench), "r.csv")
    same(one, other)
    measured = {step["step"]: step["measured"] for step in one["steps"]}
    expect(measured["quiet"]["dc_v@left_out"]["value"] == 0.012, f"{measured['quiet']}")
    expect(abs(measured["in1-left"]["gain_db"]["u"] - 0.051) < 1e-9, f"{measured['in1-left']}")
    expect(abs(measured["quiet"]["dc_v@right_sum"]["value"] + 10.4) < 1e-12, "a net the step does not see")
    expect(all(step["file"] is None for step in one["steps"]), "a reading has a file")


def other_forms(bench):
    """Two one-channel files in a folder, or as FILE+FILE, or one file; upper-case endings; a readings file named
    like a step's sibling is left alone."""
    folder = os.path.join(bench.folder, "two")
    os.makedirs(folder, exist_ok=True)
    for half in "12":
        shutil.copy(bench.capture(f"vh03-right-path.{half}.csv"), os.path.join(folder, f"in2-right.{half}.CSV"))
    bench.write("two/notes.txt", "nothing to read here\n")
    bench.write("two/other.csv", "in s,a in V\n0,1\n")
    one = bench.answer("diagnose", mixer(bench), "two")
    names = [os.path.join("two", f"in2-right.{half}.CSV") for half in "12"]
    expect(one["steps"][0]["file"] == "+".join(names), f"file {one['steps'][0]['file']}")
    same(one, bench.answer("diagnose", mixer(bench), "in2-right=" + "+".join(names)))
    slash = bench.answer("diagnose", mixer(bench), "two/")
    expect(slash["steps"] == one["steps"], "a slash behind the folder's name")


def piped(bench):
    path = os.path.join(unit(bench), "in2-right.csv")
    with open(path, "rb") as file:
        content = file.read()
    one = bench.answer("diagnose", mixer(bench), f"in2-right={path}")
    other = bench.answer("diagnose", mixer(bench), "in2-right=-", stdin=content)
    expect(other["steps"][0]["file"] == "-", f"file {other['steps'][0]['file']}")
    same(one, other, but=("steps",))
    same(one["steps"][0], other["steps"][0], but=("file",))


def literal_names(bench):
    """A folder and a readings file are tried before the forms with = and : in them."""
    folder = os.path.join(bench.folder, "in1-left=x")
    os.makedirs(folder, exist_ok=True)
    shutil.copy(os.path.join(unit(bench), "in1-left.csv"), os.path.join(folder, "in1-left.csv"))
    bench.write("quiet:dc_v@left_out=3", HEADER + "quiet,dc_v,left_out,0.002,0.001\n")
    found = bench.answer("diagnose", mixer(bench), "in1-left=x", "quiet:dc_v@left_out=3")
    measured = {step["step"]: step["measured"] for step in found["steps"]}
    expect("gain_db" in measured["in1-left"], "the folder was not read")
    expect(measured["quiet"]["dc_v@left_out"]["value"] == 0.002, "the readings file was not read")
    os.remove(os.path.join(bench.folder, "quiet:dc_v@left_out=3"))


def averaged(bench):
    found = bench.answer("diagnose", mixer(bench), "in1-left:gain_db=-0.1~0.1", "in1-left:gain_db=0.1~0.1")
    gain = found["steps"][0]["measured"]["gain_db"]
    # scatter of two readings 0.2 apart: 0.1 on their mean; with 0.1 of each, sqrt(0.02)
    expect(abs(gain["value"]) < 1e-12 and abs(gain["u"] - 0.02**0.5) < 1e-9, f"gain {gain}")
    path = os.path.join(unit(bench), "in1-left.csv")
    once = bench.answer("diagnose", mixer(bench), f"in1-left={path}")["steps"][0]
    twice = bench.answer("diagnose", mixer(bench), f"in1-left={path}", f"in1-left={path}")["steps"][0]
    expect(twice["file"] == f"{path}, {path}", f"file {twice['file']}")
    same(once["measured"], twice["measured"])


def healthy_readings(bench, name):
    """What the board itself predicts, as a meter would read it."""
    found = bench.answer("board", mixer(bench))
    rows = [f"{step['step']},gain_db,,{step['figures']['gain_db']['value']:.3f},0.1\n"
            for step in found["steps"] if "gain_db" in step["figures"]]
    expect(len(rows) > 10, f"only {len(rows)} steps with a gain")
    return bench.write(name, HEADER + "".join(rows))


def statuses(bench):
    """0 healthy, 1 a fault, 2 undecided: one gain 4.5 sigma off (0.1 dB of spread, 0.05 of the meter)."""
    bench.answer("diagnose", mixer(bench), "in1-left:gain_db=0.5~0.05", status=2)
    found = bench.answer("diagnose", mixer(bench), healthy_readings(bench, "good.csv"), status=0)
    expect(found["verdict"] == "healthy", f"verdict {found['verdict']}")
    with open(os.path.join(bench.folder, "good.csv"), encoding="ascii") as file:
        text = file.read()
    # 20 dB down in each step that goes through U1's second section
    worse = "".join(re.sub(r",,(-?[\d.]+),", lambda m: f",,{float(m.group(1)) - 20:.3f},", line)
                    if "-right" in line or "right-high" in line else line for line in text.splitlines(True))
    bench.write("bad.csv", worse)
    found = bench.answer("diagnose", mixer(bench), "bad.csv", status=1)
    expect(found["verdict"] == "fault" and found["findings"], f"verdict {found['verdict']}")


def audio_levels(bench):
    """Without volts at full scale only ratios count, and a line says so; -q silences it."""
    path = bench.capture("vh07-right-path.flac")
    answer = bench.run(["diagnose", mixer(bench), f"in2-right={path}"])
    expect("--full-scale" in answer.err and answer.err.count("\n") == 1, f"{answer.err!r}")
    expect(bench.run(["diagnose", mixer(bench), f"in2-right={path}", "-q"]).err == "", "-q does not silence it")
    plain = bench.answer("diagnose", mixer(bench), f"in2-right={path}")["steps"][0]["measured"]
    scaled = bench.answer("diagnose", mixer(bench), f"in2-right={path}", "--full-scale", "5.2")
    expect("rms_v@right_out" not in plain and "gain_db" in plain, f"{sorted(plain)}")
    expect("rms_v@right_out" in scaled["steps"][0]["measured"], "no level with a full scale")


def one_channel_step(bench):
    """A step that looks at one net takes the first of --channels."""
    path = os.path.join(unit(bench), "quiet.csv")
    bench.error(65, f"coldjoint: {path}: two channels, but step 'quiet-mono' looks at one net, mono_out*",
                "diagnose", mixer(bench), f"quiet-mono={path}")
    found = bench.answer("diagnose", mixer(bench), f"quiet-mono={path}", "--channels", "2,1")
    expect(list(found["steps"][0]["measured"])[0].endswith("@mono_out"), "not keyed with the step's net")


def folder_hints(bench):
    os.makedirs(os.path.join(bench.folder, "slip"), exist_ok=True)
    for step, name in (("in1-left", "in1-left.csv"), ("in2-right", "in2-rihgt.csv")):
        shutil.copy(os.path.join(unit(bench), f"{step}.csv"), os.path.join(bench.folder, "slip", name))
    answer = bench.run(["diagnose", mixer(bench), "slip"])
    expect("in2-rihgt.csv is left alone" in answer.err and "'in2-right'" in answer.err, f"{answer.err!r}")
    os.remove(os.path.join(bench.folder, "slip", "in1-left.csv"))
    bench.error(66, "coldjoint: slip: no capture of any step in this folder; is in2-rihgt.csv one of step "
                "'in2-right'?", "diagnose", mixer(bench), "slip")


def tone_where_the_step_says(bench):
    """A tone that does not stand out by itself is looked for at the step's frequency; one that the generator has a
    few hertz off is still found."""
    noise = random.Random(5)
    for name, hz, spread in (("weak.csv", 1000, 1.0), ("off.csv", 992, 0.01)):
        rows = [(n * 1e-5, math.sin(2 * math.pi * hz * n * 1e-5)) for n in range(2500)]
        bench.write(name, "in s,C1 in V,C2 in V\n" + "".join(
            f"{t:.6e},{0.8 * s + noise.gauss(0, spread):.5f},{0.8 * s + noise.gauss(0, spread):.5f}\n"
            for t, s in rows))
        figures = bench.answer("diagnose", mixer(bench), f"in1-left={name}")["steps"][0]["measured"]
        found = figures.get("tone_hz@in1", {}).get("value")
        expect(found and abs(found - hz) < 1, f"{name}: tone_hz is {found}, not {hz}")
    plain = bench.answer("measure", "weak.csv")["channels"][0]["figures"]["tone_hz"]
    expect(plain["value"] is None, f"the weak tone stands out by itself: {plain}")


def output_file(bench):
    path = os.path.join(unit(bench), "in1-left.csv")
    shutil.copy(path, os.path.join(bench.folder, "mine.csv"))
    os.makedirs(os.path.join(bench.folder, "kept"), exist_ok=True)
    shutil.copy(path, os.path.join(bench.folder, "kept", "in1-left.csv"))
    for given, target in (("in1-left=mine.csv", "mine.csv"), ("kept", "kept/in1-left.csv")):
        bench.error(64, f"coldjoint: {target}: *", "diagnose", mixer(bench), given, "-o", target)
    answer = bench.run(["diagnose", mixer(bench), "in1-left=mine.csv", "--json", "-o", "out.json"])
    expect(answer.status in (0, 1, 2) and answer.out == b"", f"status {answer.status}")
    with open(os.path.join(bench.folder, "out.json"), encoding="utf-8") as file:
        expect('"coldjoint": "diagnose"' in file.read(), "the file is not the answer")


def own_rules(bench):
    """--rules counts here too: its finding joins the list, or is explained away by name."""
    bench.write("mine.yaml", "rules:\n  - rule: mine-own\n    when: {pair.gain_db: {from: -40 dB, to: 0 dB}}\n"
                "    weight: 100\n    roles: [right fader]\n    says: The fader is down.\n    check: Look.\n")
    answer = bench.run(["diagnose", mixer(bench), unit(bench), "--rules", "mine.yaml", "--explain"])
    expect(answer.status == 1 and "mine-own" in answer.text, f"status {answer.status}: no word of the rule")


ANY = "coldjoint: *"
REFUSED = [
    (64, "no board", ANY, []),
    (64, "no evidence", "coldjoint: no EVIDENCE*", ["BOARD"]),
    (66, "no such board", "coldjoint: gone.yaml: *", ["gone.yaml", "quiet:dc_v@left_out=1"]),
    (66, "no such evidence", "coldjoint: gone: *STEP=CAPTURE*", ["BOARD", "gone"]),
    (64, "a capture of no step", "coldjoint: plain.csv: a capture of which step*", ["BOARD", "plain.csv"]),
    (64, "standard input of no step", "coldjoint: -: a capture of which step*", ["BOARD", "-"]),
    (64, "standard input twice", "coldjoint: -: *", ["BOARD", "in1-left=-", "quiet=-"]),
    (64, "unknown step", "coldjoint: *did you mean 'in2-right'?", ["BOARD", "in2-rihgt=plain.csv"]),
    (64, "unknown step of a reading", "coldjoint: *did you mean 'quiet'?", ["BOARD", "quite:dc_v@left_out=1"]),
    (64, "unknown figure", "coldjoint: *did you mean 'gain_db'?", ["BOARD", "in1-left:gian_db=1"]),
    (64, "unknown net", "coldjoint: *did you mean 'left_out'?", ["BOARD", "quiet:dc_v@left_uot=1"]),
    (64, "of which net", "coldjoint: *left_out and right_out*", ["BOARD", "quiet:dc_v=1"]),
    (64, "a reading without its value", "coldjoint: *lacks its value*", ["BOARD", "quiet:dc_v"]),
    (64, "no capture behind =", "coldjoint: *lacks the capture*", ["BOARD", "in1-left="]),
    (66, "no such capture", "coldjoint: gone.csv: *", ["BOARD", "in1-left=gone.csv"]),
    (65, "no capture at all", "coldjoint: prose.csv*: *", ["BOARD", "in1-left=prose.csv"]),
    (66, "an empty folder", "coldjoint: empty: no capture of any step*", ["BOARD", "empty"]),
    (65, "half of two files", "coldjoint: half: *lacks its other channel*", ["BOARD", "half"]),
    (65, "both forms of one half", "coldjoint: both: *which one is channel 1?", ["BOARD", "both"]),
    (65, "readings, unknown step", "coldjoint: step.csv:2:1: *did you mean 'quiet'?", ["BOARD", "step.csv"]),
    (65, "readings, no number", "coldjoint: number.csv:3:22: *", ["BOARD", "number.csv"]),
    (65, "readings, semicolons", "coldjoint: semi.csv:1:1: *semicolons*", ["BOARD", "semi.csv"]),
    (64, "board with two boards", "coldjoint: board wants one BOARD, not 2", None),
]
FILES = {
    "plain.csv": "in s,C1 in V,C2 in V\n" + "".join(f"{n * 1e-5:.6e},{n % 7},{n % 5}\n" for n in range(300)),
    "prose.csv": "The left one hums, the right does not.\n" * 40,
    "empty/readme.txt": "",
    "half/in1-left.1.csv": "TIME,CH1\n0,1\n",
    "both/in1-left.1.csv": "TIME,CH1\n0,1\n",
    "both/in1-left.1.txt": "TIME,CH1\n0,1\n",
    "step.csv": HEADER + "quite,dc_v,left_out,1,\n",
    "number.csv": HEADER + "quiet,dc_v,left_out,1,\nquiet,dc_v,right_out,loud,\n",
    "semi.csv": HEADER.replace(",", ";") + "quiet;dc_v;left_out;1;\n",
}


def refused(bench, status, like, given):
    for name, content in FILES.items():
        os.makedirs(os.path.join(bench.folder, os.path.dirname(name)), exist_ok=True)
        bench.write(name, content)
    if given is None:
        bench.error(status, like, "board", mixer(bench), mixer(bench))
    else:
        bench.error(status, like, "diagnose", *(mixer(bench) if word == "BOARD" else word for word in given))


def tests(bench):
    """(name, function) of every test with a board."""
    for path in sorted(glob.glob(os.path.join(bench.captures, "..", "boards", "*.yaml"))):
        if bench.sanitized and "summing-stage" in path:
            continue  # the largest of them, a minute
        yield f"board {os.path.basename(path)}", lambda path=path: board_answer(bench, path)
    for test in (board_text, board_numbers, many_errors, warnings, demo_names_the_pin, text_fits, named_captures,
                 typed_and_file, other_forms, piped, literal_names, averaged, statuses, audio_levels,
                 one_channel_step, folder_hints, tone_where_the_step_says,
                 output_file, own_rules):
        yield f"board: {test.__name__.replace('_', ' ')}", lambda test=test: test(bench)
    for status, name, like, given in REFUSED:
        yield f"{status} board: {name}", lambda s=status, l=like, g=given: refused(bench, s, l, g)
