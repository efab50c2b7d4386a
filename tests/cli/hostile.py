# SPDX-License-Identifier: GPL-3.0-or-later
"""Boards that nobody would build, through the whole of `board` and `diagnose`: a right answer or one clear refusal."""
from bench import Skip, check_fault, expect

TONE = "step: tone, drive: in1, tone: {hz: 1000, peak: 1}, see: [in1, out]"
QUIET = "step: quiet, drive: none, see: [out]"
COLD = "step: cold, power: off, drive: none, see: [out]"
STEPS = (TONE, QUIET, COLD)
RAILS = "rails: {v+: 12, v-: -12}\n"


def resistor(ref, value, one, other, tolerance="1%"):
    return f"ref: {ref}, kind: resistor, value: {value}, tolerance: {tolerance}, pins: [{one}, {other}]"


def capacitor(ref, value, one, other):
    return f"ref: {ref}, kind: capacitor, value: {value}, tolerance: 5%, pins: [{one}, {other}]"


def opamp(ref, out, minus, plus, kind="TL072"):
    return f"ref: {ref}, kind: opamp, type: {kind}, pins: [{out}, {minus}, {plus}]"


def diode(ref, anode, cathode):
    return f"ref: {ref}, kind: diode, type: 1N4148, pins: [{anode}, {cathode}]"


INVERTER = [resistor("R1", "10k", "in1", "m"), resistor("R2", "10k", "m", "out"), opamp("U1", "out", "m", "gnd")]
LOAD = resistor("R99", "1k", "out", "gnd")


def board(bench, name, parts, steps=STEPS, rails=RAILS, more=""):
    return bench.write(f"{name}.yaml", f"board: {name}\n{rails}inputs: [{{net: in1, source: 50}}]\nparts:\n"
                       + "".join(f"  - {{{part}}}\n" for part in parts) + more + "steps:\n"
                       + "".join(f"  - {{{step}}}\n" for step in steps))


def ladder(count):
    """count parts: 100 ohm along, 1 Mohm to ground."""
    nets = ["in1"] + [f"n{i}" for i in range(count // 2 - 1)] + ["out"]
    return [part for i in range(count // 2) for part in
            (resistor(f"R{2 * i + 1}", "100", nets[i], nets[i + 1]),
             resistor(f"R{2 * i + 2}", "1M", nets[i + 1], "gnd"))]


def fan(count):
    """count inverters beside each other, three resistors each."""
    nets = [f"o{i}" for i in range(count - 1)] + ["out"]
    return [part for i, net in enumerate(nets) for part in
            (resistor(f"R{3 * i + 1}", "10k", "in1", f"m{i}"), resistor(f"R{3 * i + 2}", "10k", f"m{i}", net),
             resistor(f"R{3 * i + 3}", "10k", net, "gnd"), opamp(f"U{i + 1}", net, f"m{i}", "gnd"))]


# name: parts, steps, rails, more. Every one has an answer.
ANSWERED = {
    "no rails": (INVERTER, STEPS, "", ""),
    "one part": ([resistor("R1", "10k", "in1", "gnd")], [TONE.replace("[in1, out]", "[in1]")], RAILS, ""),
    "a part no step sees": (INVERTER + [resistor("R3", "1k", "x", "y"), resistor("R4", "1k", "x", "y")],
                            [TONE.replace("[in1, out]", "[x]")], RAILS, ""),
    "a potentiometer alone": (["ref: RV1, kind: potentiometer, value: 10k, tolerance: 20%, taper: audio, "
                               "pins: [gnd, out, in1]"], STEPS, RAILS, "rest: {RV1: 50%}\n"),
    "a rail seen": (INVERTER, [TONE, "step: rail, drive: none, see: [v+, v-]",
                               "step: off, power: off, drive: none, see: [v-]"], RAILS, ""),
    "an output on its own input": ([opamp("U1", "out", "in1", "out"), LOAD], STEPS, RAILS, ""),
    "no tolerance at all": ([resistor("R1", "10k", "in1", "m", "0%"), resistor("R2", "10k", "m", "out", "0%"),
                             opamp("U1", "out", "m", "gnd", "ideal")], STEPS, RAILS, ""),
    "a million megohm": ([resistor("R1", "1e12", "in1", "m"), resistor("R2", "1e12", "m", "out"),
                          capacitor("C1", "1p", "m", "out"), opamp("U1", "out", "m", "gnd")], STEPS, RAILS, ""),
    "a milliohm and a farad": ([resistor("R1", "1m", "in1", "m"), resistor("R2", "1m", "m", "out"),
                                capacitor("C1", "1", "m", "out"), opamp("U1", "out", "m", "gnd")], STEPS, RAILS, ""),
    "diodes in a ring": ([diode("D1", "a", "b"), diode("D2", "b", "out"), diode("D3", "out", "a"),
                          resistor("R1", "1k", "in1", "a"), LOAD], STEPS, RAILS, ""),
    "a Wien bridge": ([resistor("R1", "10k", "out", "w"), capacitor("C1", "10n", "w", "p"),
                       resistor("R2", "10k", "p", "gnd"), capacitor("C2", "10n", "p", "gnd"),
                       resistor("R3", "22k", "out", "m"), resistor("R4", "10k", "m", "gnd"),
                       opamp("U1", "out", "m", "p"), resistor("R5", "100k", "in1", "p")], STEPS, RAILS, ""),
    "a Schmitt trigger": ([resistor("R1", "10k", "in1", "p"), resistor("R2", "10k", "p", "out"),
                           opamp("U1", "out", "gnd", "p")], STEPS, RAILS, ""),
    "a multivibrator": ([resistor("R1", "10k", "gnd", "p"), resistor("R2", "10k", "p", "out"),
                         resistor("R3", "10k", "out", "m"), capacitor("C1", "100n", "m", "gnd"),
                         opamp("U1", "out", "m", "p"), resistor("R4", "1M", "in1", "m")], STEPS, RAILS, ""),
    "a thousand resistors": (ladder(1000), [TONE, QUIET], RAILS, ""),
}


def answered(bench, name):
    parts, steps, rails, more = ANSWERED[name]
    path = board(bench, "hostile", parts, steps, rails, more)
    study = bench.answer("board", path, status=0)
    expect(study["faults"] > 0 and study["rank"]["rank"] <= study["rank"]["parts"], f"{study['faults']} faults")
    for group in study["groups"]:
        for fault in group:
            check_fault(fault)
    reading = "tone:gain_db=-6.3" if "out]" in steps[0] else "tone:dc_v=1.3"
    bench.answer("diagnose", path, reading)
    for given in (["board", path], ["diagnose", path, reading]):
        wide = [line for line in bench.run(given).text.splitlines() if len(line) > 80]
        expect(not wide, f"more than 80 columns: {wide[:1]}")


def clipping_when_good(bench):
    """A step that clips a good unit, and diodes that bend one: 20 dB off is not healthy, what `board` says is."""
    driven = TONE.replace("peak: 1}", "peak: 100}")
    for name, parts, step in (("driven", INVERTER, driven),
                              ("bent", [diode("D1", "in1", "out"), LOAD], TONE)):
        path = board(bench, name, parts, [step])
        good = bench.answer("board", path)["steps"][0]["figures"]["gain_db"]["value"]
        found = bench.answer("diagnose", path, f"tone:gain_db={good:.2f}~0.1")
        expect(found["verdict"] == "healthy", f"{name}: {found['verdict']} at {good:.2f} dB")
        found = bench.answer("diagnose", path, f"tone:gain_db={good + 15:.2f}~0.1")
        expect(found["verdict"] != "healthy", f"{name}: healthy 15 dB off")


def what_comes_closest(bench):
    """Where no fault explains the readings, the text still says what is nearest and what to do."""
    path = board(bench, "pot", *ANSWERED["a potentiometer alone"])
    answer = bench.run(["diagnose", path, "tone:gain_db=-6.3", "quiet:dc_v=0.9"])
    expect(answer.status == 2 and answer.text.startswith("UNDECIDED: "), f"{answer.status}: {answer.text[:60]}")
    for words in ("What comes closest", "RV1", "What to do next", "still open: cold", "Look beyond single parts"):
        expect(words in answer.text, f"no word of {words!r}")


def very_many_opamps(bench):
    """More work than a bench waits for: healthy figures and a diagnosis all the same, and what was left out is said."""
    path = board(bench, "fan", fan(500), [TONE])
    refused = board(bench, "wide", fan(501), [TONE])
    bench.error(65, "coldjoint: wide.yaml: 501 op-amp sections; expected at most 500*", "board", refused)
    bench.error(65, "coldjoint: wide.yaml: 501 op-amp sections; expected at most 500*", "diagnose", refused,
                "tone:gain_db=0")
    if bench.sanitized:
        raise Skip("takes minutes under the sanitizers")
    study = bench.answer("board", path, status=0)
    expect("too many op-amps" in study.get("why", "") and not study["groups"] and not study["unseen"], "compared?")
    gain = study["steps"][0]["figures"]["gain_db"]["value"]
    expect(abs(gain) < 0.05, f"gain {gain}")
    found = bench.answer("diagnose", path, "tone:gain_db=0.0~0.05")
    expect(found["verdict"] == "healthy", f"verdict {found['verdict']}")


REFUSED = (
    ("every pin nc", ["ref: R1, kind: resistor, value: 10k, pins: [nc, nc]"] + INVERTER, STEPS, "*no pin of R1*"),
    ("a diode on itself", [diode("D1", "a", "a")] + INVERTER, STEPS, "*all pins of D1*"),
    ("no part on gnd", [resistor("R1", "10k", "in1", "out")], STEPS, "*gnd*"),
    ("a thousand steps", INVERTER, [TONE.replace("step: tone", f"step: t{n}") for n in range(1000)], "*1000 steps*"),
)


def refused(bench, parts, steps, like):
    path = board(bench, "refused", parts, steps)
    for given in (["board", path], ["diagnose", path, "tone:gain_db=0"]):
        answer = bench.run(given, lines=True)
        first = answer.err.splitlines()[0] if answer.err else ""
        expect(answer.status == 65 and like.strip("*") in answer.err, f"status {answer.status}: {first!r}")


def tests(bench):
    """(name, function) of every test with a hostile board."""
    for name in ANSWERED:
        yield f"hostile board: {name}", lambda name=name: answered(bench, name)
    for test in (clipping_when_good, what_comes_closest, very_many_opamps):
        yield f"hostile board: {test.__name__.replace('_', ' ')}", lambda test=test: test(bench)
    for name, parts, steps, like in REFUSED:
        yield f"65 hostile board: {name}", lambda p=parts, s=steps, l=like: refused(bench, p, s, l)
