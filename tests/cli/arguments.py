# SPDX-License-Identifier: GPL-3.0-or-later
"""What each option and each way of naming a capture does to the answer."""
import hashlib
import json
import math
import os
import pty
import re
import select
import shutil
import subprocess

from bench import Skip, expect

ESCAPE = b"\033["


def near(text, value, wanted, most):
    expect(value is not None and abs(value - wanted) <= most, f"{text} is {value}, not {wanted}")


def channel(found, number):
    return found["channels"][number - 1]["figures"]


def pair(found):
    return found["pair"]["figures"]


def same_numbers(one, other, but=("file",)):
    """Two answers alike but for the capture's name (and what else is named)."""
    def strip(found):
        captures = [found["capture"]] if "capture" in found else found["captures"]
        for part in [*captures, found]:
            for key in but:
                part.pop(key, None)
        return found

    left, right = (json.dumps(strip(found), sort_keys=True) for found in (one, other))
    expect(left == right, "the answers differ")


# ---- help ----

def version(bench):
    for given in (["--version"], ["measure", "--version"]):
        answer = bench.run(given)
        expect(answer.status == 0 and re.fullmatch(r"coldjoint \d+\.\d+\.\d+\n", answer.text),
               f"{given}: status {answer.status}, {answer.text!r}")


def main_help(bench):
    for given in (["--help"], ["-h"]):
        answer = bench.run(given)
        expect(answer.status == 0 and answer.err == "", f"status {answer.status}, {answer.err!r}")
        for word in ("measure", "compare", "scale", "CAPTURE"):
            expect(word in answer.text, f"the help does not say {word}")


COMMON = ("--json", "--channels", "--probe", "--full-scale", "--coupling", "--tone", "--band", "--mains",
          "--instruments", "--rules", "--explain", "--help", "--version", "-o", "-q")
OWN = {"measure": (), "compare": ("--within", "--expect"), "scale": ("--reads",)}


def command_help(bench, command):
    for word in ("--help", "-h"):
        answer = bench.run([command, word])
        expect(answer.status == 0 and answer.err == "", f"status {answer.status}, {answer.err!r}")
        for option in COMMON + OWN[command]:
            expect(re.search(rf"(?<![\w-]){option}\b", answer.text), f"{option} is not in the help")


# ---- how a capture is named ----

def standard_input(bench, name):
    path = bench.capture(name)
    with open(path, "rb") as file:
        content = file.read()
    for command in ("measure", "compare"):
        named, piped = bench.answer(command, path), bench.answer(command, "-", stdin=content)
        capture = (piped.get("capture") or piped["captures"][0])
        expect(capture["file"] == "-", f"standard input is called {capture['file']}")
        expect(capture["sha256"] in (hashlib.sha256(content).hexdigest(),
                                     [hashlib.sha256(content).hexdigest()]), "sha256 is not the input's")
        same_numbers(named, piped)


def one_of_two_piped(bench):
    """compare FILE - and compare - FILE."""
    paths = [bench.capture(name) for name in ("vh03-right-path.flac", "vh07-right-path.flac")]
    named = bench.answer("compare", *paths)
    for at in range(2):
        with open(paths[at], "rb") as file:
            content = file.read()
        given = ["-" if n == at else path for n, path in enumerate(paths)]
        same_numbers(bench.answer("compare", *given, stdin=content), named)


def slow_pipe(bench):
    """A pipe that gives its bytes in drips."""
    with open(bench.capture("vh03-healthy.wav"), "rb") as file:
        content = file.read()
    child = subprocess.Popen([bench.program, "measure", "-", "--json"], stdin=subprocess.PIPE,
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    for at in range(0, len(content), 4001):
        child.stdin.write(content[at:at + 4001])
        child.stdin.flush()
    out, err = child.communicate(timeout=60)
    expect(child.returncode == 0, f"status {child.returncode}: {err!r}")
    same_numbers(json.loads(out), bench.answer("measure", bench.capture("vh03-healthy.wav")),
                 but=("file", "status"))


def two_files(bench):
    one, other = bench.capture("vh03-right-path.1.csv"), bench.capture("vh03-right-path.2.csv")
    found = bench.answer("measure", f"{one}+{other}")
    digests = [hashlib.sha256(open(path, "rb").read()).hexdigest() for path in (one, other)]
    expect(found["capture"]["sha256"] == digests, "sha256 is not the list of both files")
    expect(len(found["channels"]) == 2, "not two channels")
    turned = bench.answer("measure", f"{other}+{one}")
    near("gain_db with the files exchanged", pair(turned)["gain_db"]["value"],
         -pair(found)["gain_db"]["value"], 1e-9)


def unequal_files(bench):
    """Two files of one time axis, one shorter: what both hold, and a note."""
    def one(name, title, count):
        lines = [f"{n * 1e-5:.6e},{math.sin(0.05 * n):.4f}\n" for n in range(count)]
        bench.write(name, f"TIME,{title}\n" + "".join(lines))

    one("long.csv", "CH1", 900)
    one("short.csv", "CH2", 700)
    found = bench.answer("measure", "long.csv+short.csv")
    expect(found["capture"]["samples"] == 700, f"{found['capture']['samples']} samples")
    expect(any("700" in note and "900" in note for note in found["capture"]["notes"]), "no note of the cut")


def plus_in_name(bench):
    """A file that bears the name literally comes first."""
    shutil.copy(bench.capture("vh07-output-open.csv"), os.path.join(bench.folder, "left+right"))
    shutil.copy(bench.capture("vh03-right-path.1.csv"), os.path.join(bench.folder, "left"))
    shutil.copy(bench.capture("vh03-right-path.2.csv"), os.path.join(bench.folder, "right"))
    found = bench.answer("measure", "left+right")
    near("gain_db", pair(found)["gain_db"]["value"], -19.1, 0.5)
    os.remove(os.path.join(bench.folder, "left+right"))
    found = bench.answer("measure", "left+right")
    near("gain_db", pair(found)["gain_db"]["value"], 0.05, 0.5)


# ---- options ----

def channels(bench):
    path = bench.capture("vh09-feedback-10k.csv")
    plain, turned = bench.answer("measure", path), bench.answer("measure", path, "--channels", "2,1")
    near("gain_db", pair(turned)["gain_db"]["value"], -pair(plain)["gain_db"]["value"], 1e-9)
    near("phase_deg", pair(turned)["phase_deg"]["value"], -pair(plain)["phase_deg"]["value"], 1e-9)
    expect([one["channel"] for one in turned["channels"]] == [2, 1], "the channels are not 2 and 1")


def probe(bench):
    path = bench.capture("vh03-healthy.csv")
    plain, probed = bench.answer("measure", path), bench.answer("measure", path, "--probe", "10,1")
    for name in ("tone_peak_v", "rms_v", "peak_v", "dc_v"):
        ratio = channel(probed, 1)[name]["value"] / channel(plain, 1)[name]["value"]
        near(f"{name} with a 10:1 probe over the plain one", ratio, 10, 1e-9)
        near(f"{name} of the other channel", channel(probed, 2)[name]["value"],
             channel(plain, 2)[name]["value"], 1e-12)
    near("gain_db", pair(probed)["gain_db"]["value"], pair(plain)["gain_db"]["value"] - 20, 1e-9)


def full_scale(bench):
    path = bench.capture("vh03-healthy.wav")
    plain, scaled = bench.answer("measure", path), bench.answer("measure", path, "--full-scale", "5.2 V")
    expect(plain["channels"][0]["unit"] == "FS", f"without it the unit is {plain['channels'][0]['unit']}")
    expect(scaled["channels"][0]["unit"] == "V", f"with it the unit is {scaled['channels'][0]['unit']}")
    ratio = channel(scaled, 1)["tone_peak_v"]["value"] / channel(plain, 1)["tone_peak_v"]["value"]
    near("volts per full scale", ratio, 5.2, 1e-9)
    near("gain", pair(scaled)["gain"]["value"], pair(plain)["gain"]["value"], 1e-12)


def coupling(bench):
    scope, audio = bench.capture("vh26-offset.csv"), bench.capture("vh03-healthy.wav")
    seen = channel(bench.answer("measure", scope), 2)["dc_v"]
    near("dc_v", seen["value"], -0.4, 0.05)
    hidden = channel(bench.answer("measure", scope, "--coupling", "ac"), 2)["dc_v"]
    expect(hidden["value"] is None and hidden["why"], f"dc_v of an AC-coupled input is {hidden}")
    expect(channel(bench.answer("measure", audio), 1)["dc_v"]["value"] is None, "audio tells DC")
    told = channel(bench.answer("measure", audio, "--coupling", "dc"), 1)["dc_v"]["value"]
    near("dc_v of a DC-coupled recording", told, 0, 1e-4)
    found = bench.answer("compare", scope, "--coupling", "ac")
    expect(all(finding["rule"] != "dc-offset" for finding in found["findings"]), "a rule sees DC")


def tone(bench):
    path = bench.capture("vh03-healthy.csv")
    found = bench.answer("measure", path, "--tone", "0.997k")
    near("tone_hz", channel(found, 1)["tone_hz"]["value"], 997, 3)
    free = bench.answer("measure", path)
    near("gain_db", pair(found)["gain_db"]["value"], pair(free)["gain_db"]["value"],
         3 * pair(free)["gain_db"]["u"])


def band(bench):
    """Harmonics above the band do not count: of a trapezoid in 20 Hz to 2 kHz nothing odd is left."""
    path = bench.capture("vh11-feedback-open.wav")
    wide = channel(bench.answer("measure", path), 2)["thd_percent"]["value"]
    third = channel(bench.answer("measure", path, "--band", "20,4k"), 2)["thd_percent"]["value"]
    near("thd_percent to 20 kHz", wide, 31.5, 1.5)
    expect(20 < third < wide, f"thd_percent up to the third harmonic is {third}, with all {wide}")


def band_without_lines(bench):
    """A band the record has nothing of: no noise figure, and no bound a hair above zero either."""
    path = bench.capture("vh03-healthy.csv")
    for edges in ("1,2", "300k,400k"):
        given = bench.run(["measure", path, "--band", edges, "--json"])
        expect(given.status in (0, 64), f"{edges}: status {given.status}")
        if given.status == 0:
            noise = channel(given.json(), 1)["noise_v"]
            expect(noise["value"] is None and noise.get("below", 1) > 1e-6, f"{edges}: noise_v is {noise}")


def mains(bench):
    path = bench.capture("vh12-hum.wav")
    given = ["--full-scale", "5.2"]
    found = channel(bench.answer("measure", path, *given), 2)
    forced = channel(bench.answer("measure", path, *given, "--mains", "50"), 2)
    other = channel(bench.answer("measure", path, *given, "--mains", "60"), 2)
    near("hum_v with 50 given", forced["hum_v"]["value"], found["hum_v"]["value"], 1e-4)
    value = other["hum_v"]["value"]
    expect(value is None or value < 0.5 * found["hum_v"]["value"], f"hum_v at 60 Hz is {value}")


def expect_option(bench):
    turned, right = bench.capture("vh16-no-inverter.csv"), bench.capture("vh03-healthy.csv")
    found = bench.answer("compare", turned, "--expect", "inverted", status=0)
    expect(found["match"] == "match" and not found["findings"], f"{found['match']}: {found['findings']}")
    found = bench.answer("compare", right, "--expect", "inverted", status=1)
    expect(found["match"] == "differ", f"a healthy pair where inverted is expected: {found['match']}")
    expect(found["findings"][0]["rule"] == "polarity-flipped", f"first is {found['findings'][0]['rule']}")
    bench.answer("compare", right, "--expect", "same", status=0)


def within(bench):
    """The healthy pair is 0.11 dB apart, with about 0.1 dB of uncertainty."""
    path = bench.capture("vh03-healthy.csv")
    expect(bench.answer("compare", path, "--within", "0.5,5")["match"] == "match", "0.5 dB")
    found = bench.answer("compare", path, "--within", "0.1,5", status=2)
    expect(found["match"] == "undecided" and found["why"], f"0.1 dB: {found['match']}")
    found = bench.answer("compare", bench.capture("vh21-second-resistor.csv"), "--within", "7,10")
    expect(found["match"] == "match", f"7 dB: {found['match']}")
    found = bench.answer("compare", bench.capture("vh28-neighbour-value.csv"), "--within", "1,5")
    expect(found["match"] == "differ" and found["status"] == 1, f"1 dB: {found['match']}")


def explain(bench):
    """Every built-in rule is accounted for, by name; those that need DC say why they are silent."""
    path = bench.capture("vh07-output-open.wav")
    plain, told = bench.run(["compare", path]), bench.run(["compare", path, "--explain"])
    expect(plain.status == told.status == 1, f"status {plain.status} and {told.status}")
    rules_file = os.path.join(bench.captures, "..", "rules", "bench.yaml")
    with open(rules_file, encoding="utf-8") as file:
        rules = re.findall(r"^  - rule: (\S+)", file.read(), re.M)
    expect(len(rules) > 20, f"only {len(rules)} rules in the rules file")
    for rule in rules:
        expect(re.search(rf"(?<![\w-]){rule}(?![\w-])", told.text), f"--explain does not speak of {rule}")
    missing = [rule for rule in rules if not re.search(rf"(?<![\w-]){rule}(?![\w-])", plain.text)]
    expect(len(missing) > 20, "without --explain nearly all rules are named too")
    found = bench.answer("compare", path, "--explain")
    expect(any("dc-offset" in line for line in found.get("explained", [])), "JSON does not explain")


OWN_RULE = """rules:
  - rule: louder-right
    when:
      pair.gain_db: {from: 1 dB, to: 3 dB}
    weight: 100
    roles: ["right fader, set too high"]
    says: The right one is louder.
    check: Set the fader.
"""


def own_rules(bench):
    bench.write("mine.yaml", OWN_RULE)
    path = bench.capture("vh28-neighbour-value.csv")
    found = bench.answer("compare", path, "--rules", "mine.yaml", status=1)
    first = found["findings"][0]
    expect(first["rule"] == "louder-right", f"first is {first['rule']}")
    expect(first["faults"][0]["role"] == "right fader, set too high", f"role {first['faults'][0]}")
    found = bench.answer("compare", bench.capture("vh03-healthy.csv"), "--rules", "mine.yaml", status=0)
    expect(not found["findings"], "a rule fires whose condition does not hold")


def instruments(bench):
    path = bench.capture("vh03-healthy.csv")
    bench.write("fine.yaml", "instruments: north-table\ncapture: {gain: 0.1%, match: 0.02%, offset: 1m}\n")
    coarse, fine = bench.answer("measure", path), bench.answer("measure", path, "--instruments", "fine.yaml")
    expect(pair(fine)["gain_db"]["u"] < 0.3 * pair(coarse)["gain_db"]["u"], "match does not count")
    near("u of gain_db without a file", pair(coarse)["gain_db"]["u"], 0.01 * 20 / math.log(10), 0.01)
    near("gain_db", pair(fine)["gain_db"]["value"], pair(coarse)["gain_db"]["value"], 1e-12)


def scale(bench):
    """The recorded tone is 0.9867 V peak; the interface reads 1.6 % low, so full scale is 5.2 V / 0.984."""
    path = bench.capture("vh03-healthy.wav")
    reads = 0.9867247 / math.sqrt(2)
    answer = bench.run(["scale", path, "--reads", f"{reads:.6f}"])
    expect(answer.status == 0, f"status {answer.status}: {answer.err}")
    bench.write("scaled.yaml", answer.out)
    found = bench.answer("scale", path, "--reads", f"{reads:.6f} V", status=0)
    near("full_scale_v", found["full_scale_v"]["value"], 5.2 / 0.984, 0.003)
    near("its u", found["full_scale_v"]["u"], 0.01 * 5.2 / 0.984, 0.01)
    used = bench.answer("measure", path, "--instruments", "scaled.yaml", status=0)
    expect(used["channels"][0]["unit"] == "V", "the instruments file gives no volts")
    near("tone_peak_v", channel(used, 1)["tone_peak_v"]["value"], 0.9867247, 0.001)
    written = bench.run(["scale", path, "--reads", f"{reads:.6f}", "-o", "aside.yaml"])
    expect(written.status == 0, f"status {written.status}: {written.err}")
    again = bench.answer("measure", path, "--instruments", "aside.yaml", status=0)
    same_numbers(used, again)


def output_file(bench):
    path = bench.capture("vh07-output-open.csv")
    printed = bench.run(["compare", path, "--json"])
    written = bench.run(["compare", path, "--json", "-o", "answer.json"])
    expect(written.status == printed.status == 1, f"status {written.status}")
    expect(written.out == b"", "something on standard output as well")
    with open(os.path.join(bench.folder, "answer.json"), "rb") as file:
        expect(file.read() == printed.out, "the file is not what is printed")


def twice_the_same(bench):
    for command in ("measure", "compare"):
        runs = {bench.run([command, bench.capture("vh07-output-open.csv"), "--json"]).out for _ in range(3)}
        expect(len(runs) == 1, f"{command} answers differently each time")


def advice(bench):
    """A dozen of 256 steps used: the advice is in the JSON and on standard error, there not with -q."""
    wave = [math.sin(0.0125 * n) for n in range(2500)]
    lines = [f"{n * 2e-6:.6e},{0.04 * round(3 * v):.2f},{0.04 * round(90 * v):.2f}"
             for n, v in enumerate(wave)]
    bench.write("coarse.csv", "in s,C1 in V,C2 in V\n" + "\n".join(lines) + "\n")
    loud, quiet = (bench.run(["measure", "coarse.csv", "--json", *more]) for more in ([], ["-q"]))
    expect(loud.status == quiet.status == 0, f"status {loud.status} and {quiet.status}")
    expect(loud.json()["capture"]["advice"], "no advice for a record of seven levels")
    expect(loud.err.startswith("coldjoint: coarse.csv: "), f"standard error: {loud.err!r}")
    expect(quiet.err == "", f"-q, and still: {quiet.err!r}")
    expect(quiet.out == loud.out, "-q changes the answer")
    text = bench.run(["measure", "coarse.csv"]).text
    expect(text.index("Before you trust") < text.index("tone"), "the advice does not come before the figures")


# ---- text ----

def text_finding(bench):
    """The main job as a technician reads it: figures, match or differ, the finding, the caution once."""
    answer = bench.run(["compare", bench.capture("vh07-output-open.csv")])
    expect(answer.status == 1, f"status {answer.status}")
    text = re.sub(r"\s+", " ", answer.text)
    for word in ("-19.1", "inverted", "output pin", "Power off"):
        expect(word.lower() in text.lower(), f"the text does not say {word!r}")
    cautions = len(re.findall("discharge", text))
    expect(cautions == 1, f"the caution stands there {cautions} times")
    healthy = bench.run(["compare", bench.capture("vh03-healthy.csv")])
    expect(healthy.status == 0 and "discharge" not in healthy.text, "a healthy pair gets the caution")


def on_terminal(bench, given, env):
    """Standard output is a terminal; what appears there."""
    try:
        master, slave = pty.openpty()
    except OSError as why:  # a container without them
        raise Skip(f"no pseudo-terminal here ({why})") from None
    environment = dict(os.environ, TERM="xterm-256color", **env)
    if "NO_COLOR" not in env:
        environment.pop("NO_COLOR", None)
    child = subprocess.Popen([bench.program, *given], stdin=subprocess.DEVNULL, stdout=slave,
                             stderr=subprocess.PIPE, env=environment)
    os.close(slave)
    shown = b""
    while True:
        ready, _, _ = select.select([master], [], [], 60)
        try:
            piece = os.read(master, 65536) if ready else b""
        except OSError:  # the other end is closed
            piece = b""
        if not piece:
            break
        shown += piece
    os.close(master)
    child.communicate(timeout=60)
    return shown


def colour(bench):
    path = bench.capture("vh07-output-open.csv")
    expect(ESCAPE in on_terminal(bench, ["compare", path], {}), "no colour on a terminal")
    expect(ESCAPE not in on_terminal(bench, ["compare", path], {"NO_COLOR": "1"}), "colour with NO_COLOR")
    expect(ESCAPE not in on_terminal(bench, ["compare", path, "--json"], {}), "colour in JSON")
    expect(ESCAPE not in bench.run(["compare", path]).out, "colour in a pipe")


def german(bench):
    """The decimal comma of a locale changes nothing, in or out."""
    if not shutil.which("localedef"):
        raise Skip("no localedef to make a locale with a decimal comma")
    path = os.path.join(bench.folder, "de_DE.UTF-8")
    made = subprocess.run(["localedef", "-i", "de_DE", "-f", "UTF-8", path], capture_output=True, check=False)
    if made.returncode not in (0, 1) or not os.path.isdir(path):
        raise Skip("the locale de_DE cannot be made here")
    env = {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "LOCPATH": bench.folder}
    bench.write("comma.yaml", "instruments: t\ncapture: {gain: 1.5%, offset: 2.5m}\n")
    for given in (["measure", "vh03-healthy.csv"], ["compare", "vh12-hum.wav"],
                  ["compare", "vh07-right-path.csv", "--within", "0.7,3.5"]):
        for more in ([], ["--json"], ["--instruments", "comma.yaml"]):
            arguments = [given[0], bench.capture(given[1]), *given[2:], *more]
            plain, local = bench.run(arguments), bench.run(arguments, env=env)
            expect(plain.out == local.out and plain.status == local.status,
                   f"{arguments}: the answers differ")


def tests(bench):
    """(name, function) of every test of the options."""
    for test in (version, main_help, slow_pipe, one_of_two_piped, two_files, unequal_files, plus_in_name,
                 channels, probe, full_scale, coupling, tone, band, band_without_lines, mains, expect_option,
                 within, explain, own_rules, instruments, scale, output_file, twice_the_same, advice,
                 text_finding, colour, german):
        yield test.__name__.replace("_", " "), lambda test=test: test(bench)
    for command in OWN:
        yield f"help of {command}", lambda command=command: command_help(bench, command)
    for name in ("vh07-output-open.csv", "vh03-healthy.wav", "vh21-second-resistor.flac"):
        yield f"standard input {name}", lambda name=name: standard_input(bench, name)
