# SPDX-License-Identifier: GPL-3.0-or-later
"""Every fixture capture through measure and compare, against fixtures/captures/expected.json.

The expected numbers are those of the clean transient; the capture chain has errors of its own within what
coldjoint assumes of an instrument it knows nothing about. So a figure must lie within three of its own
standard uncertainties, and that uncertainty must be of some use.
"""
import json
import math
import os

from bench import expect

# the most that a figure which has to be told may be uncertain: absolute, or relative to the value
USEFUL = {"gain_db": 0.5, "phase_deg": 2.0}
USEFUL_RELATIVE = {"tone_peak_v": 0.10, "gain": 0.06}


def within(name, figure, truth, turn=False):
    """The figure agrees with the truth: three u, or on the right side of its bound. True: it has a value."""
    value = figure["value"]
    if value is None:
        low, high = figure.get("above", -math.inf), figure.get("below", math.inf)
        expect(low <= truth <= high, f"{name} is said to lie in {low:.6g} to {high:.6g}, is {truth:.6g}")
        return False
    u = figure["u"]
    expect(u is not None, f"{name} has no uncertainty")
    off = value - truth
    if turn:
        off = (off + 180) % 360 - 180
    expect(abs(off) <= 3 * u, f"{name} is {value:.8g}, true {truth:.8g}: off by {off:.3g}, u {u:.3g}")
    return True


def useful(name, figure):
    if name in USEFUL:
        expect(figure["u"] <= USEFUL[name], f"{name} has the uncertainty {figure['u']:.3g}")
    if name in USEFUL_RELATIVE:
        expect(figure["u"] <= USEFUL_RELATIVE[name] * abs(figure["value"]),
               f"{name} is {figure['value']:.4g} with the uncertainty {figure['u']:.3g}")


def check_pair(found, truth, tell):
    for name in ("gain", "gain_db", "phase_deg"):
        told = within(name, found[name], truth[name], name == "phase_deg")
        expect(told or name not in tell, f"{name} is null: {found[name].get('why')}")
        if told and name in tell:
            useful(name, found[name])
    polarity = found["polarity"]["value"]
    if "polarity" in tell:
        expect(polarity == truth["polarity"], f"polarity is {polarity}, not {truth['polarity']}")
    elif polarity not in (None, "unclear"):
        expect(polarity == truth["polarity"], f"polarity is {polarity} where it is {truth['polarity']}")


def check_channel(channel, truth, entry):
    """One channel's figures. Where there is no tone to speak of, or it comes and goes, its level is
    not asked for."""
    figures, where = channel["figures"], f"{truth['net']}: "
    steady = entry.get("dropouts") is None or truth["net"] != entry["channels"][1]["net"]
    if steady:
        told = within(where + "tone_peak_v", figures["tone_peak_v"], truth["tone_peak_v"])
        asked = truth["tone_peak_v"] > 0.01
        expect(told or not asked, f"{where}tone_peak_v is null: {figures['tone_peak_v'].get('why')}")
        if told and asked:
            useful("tone_peak_v", figures["tone_peak_v"])
            within(where + "thd_percent", figures["thd_percent"], truth["thd_percent"])
    dc = figures["dc_v"]
    if truth["dc_v"] is None:
        expect(dc["value"] is None, f"{where}dc_v is {dc['value']} through an AC-coupled input")
    else:
        expect(within(where + "dc_v", dc, truth["dc_v"]), f"{where}dc_v is null: {dc.get('why')}")
    if truth["thd_percent"] > 1 and asked_thd(entry, truth):
        expect(figures["thd_percent"]["value"] is not None,
               f"{where}thd_percent is null: {figures['thd_percent'].get('why')}")


def asked_thd(entry, truth):
    """A fundamental to speak of, and no coming and going."""
    return truth["tone_peak_v"] > 0.05 and entry.get("dropouts") is None


def options(entry):
    given = []
    if "full_scale" in entry:
        given += ["--full-scale", f"{entry['full_scale']:g}"]
    if "coupling" in entry:
        given += ["--coupling", entry["coupling"]]
    return given


def name_of(bench, entry):
    return "+".join(bench.capture(file) for file in entry["files"])


def measure(bench, entry, tone_hz):
    found = bench.answer("measure", name_of(bench, entry), *options(entry), status=0)
    expect(found["capture"]["kind"] == entry["kind"], f"kind is {found['capture']['kind']}")
    for channel, truth in zip(found["channels"], entry["channels"]):
        check_channel(channel, truth, entry)
    first = found["channels"][0]["figures"]["tone_hz"]
    expect(within("tone_hz", first, tone_hz), f"tone_hz is null: {first.get('why')}")
    expect(first["u"] < 0.005 * tone_hz, f"tone_hz has the uncertainty {first['u']}")
    if "dropouts" not in entry:
        check_pair(found["pair"]["figures"], entry["pair"], entry["tell"])
    second = found["channels"][1]["figures"]
    if "hum_v" in entry["channels"][1]:
        hum(second, entry["channels"][1]["hum_v"])
    if "dropouts" in entry:
        count = second["dropouts"]["value"]
        expect(count is not None and count >= entry["dropouts"],
               f"{count} dropouts found, {entry['dropouts']} are there")


def hum(figures, truth):
    if truth > 0.01:
        expect(within("hum_v", figures["hum_v"], truth), f"hum_v is null: {figures['hum_v'].get('why')}")
        expect(abs(figures["hum_hz"]["value"] - 50) < 0.5, f"hum_hz is {figures['hum_hz']['value']}")


def check_finding(found, entry):
    rules = [finding.get("rule") for finding in found["findings"]]
    said = ", ".join(f"{f.get('rule')} {f['probability']:.2f}" for f in found["findings"]) or "nothing"
    if entry["finding"] is None:
        expect(not rules, f"no fault is there, and the rules say {said}")
    else:
        expect(rules and rules[0] in entry["finding"],
               f"{' or '.join(entry['finding'])} must rank first; said: {said}")
    if "among" in entry:
        expect(set(entry["among"]) & set(rules), f"no {' or '.join(entry['among'])} among: {said}")


def check_match(found, match):
    """The word, and the exit status that goes with it and the findings."""
    if match is not None:
        expect(found["match"] == match, f"{found['match']}, not {match} ({found.get('why')})")
    wanted = 1 if found["findings"] or found["match"] == "differ" else 0 if found["match"] == "match" else 2
    expect(found["status"] == wanted, f"exit status {found['status']} for {found['match']}")


def compare(bench, entry, _tone_hz):
    found = bench.answer("compare", name_of(bench, entry), *options(entry))
    if "dropouts" not in entry:
        check_pair(found["pair"]["figures"], entry["pair"], entry["tell"])
    check_match(found, entry["match"])
    check_finding(found, entry)


# first capture, second capture, match, rule that ranks first
PAIRS = [
    ("vh03-left-path.csv", "vh03-right-path.csv", "match", None),
    ("vh03-left-path.flac", "vh03-right-path.flac", "match", None),
    ("vh03-left-path.csv", "vh03-right-path.flac", "match", None),
    ("vh03-right-path.csv", "vh07-right-path.csv", "differ", "vh07-right-path.csv"),
    ("vh03-right-path.flac", "vh07-right-path.flac", "differ", "vh07-right-path.flac"),
    ("vh03-left-path.csv", "vh14-low-rail.csv", "differ", "vh14-low-rail.csv"),
    ("vh03-left-path.flac", "vh14-low-rail.wav", "differ", "vh14-low-rail.wav"),
]


def two(bench, expected, first, second, match, like):
    """Second path against first: the truth is the quotient of the two truths."""
    one, other = expected["captures"][first], expected["captures"][second]
    if "full_scale" in one and "full_scale" in other:
        expect(one["full_scale"] == other["full_scale"], "two full scales, one option")
    given = {tuple(options(entry)) for entry in (one, other) if options(entry)}
    found = bench.answer("compare", name_of(bench, one), name_of(bench, other), *sum(given, ()))
    gain = other["pair"]["gain"] / one["pair"]["gain"]
    phase = (other["pair"]["phase_deg"] - one["pair"]["phase_deg"] + 180) % 360 - 180
    truth = {"gain": gain, "gain_db": 20 * math.log10(gain), "phase_deg": phase,
             "polarity": "same" if abs(phase) < 60 else "inverted" if abs(phase) > 120 else "unclear"}
    check_pair(found["pair"]["figures"], truth, ("gain_db", "phase_deg", "polarity"))
    check_match(found, match)
    check_finding(found, expected["captures"][like] if like else {"finding": None})
    expect(len(found["captures"]) == 2, "two captures were given")


def tests(bench):
    """(name, function) of every test of the captures."""
    with open(os.path.join(bench.captures, "expected.json"), encoding="utf-8") as file:
        expected = json.load(file)
    for name, entry in expected["captures"].items():
        for check in (measure, compare):
            yield (f"{check.__name__} {name}",
                   lambda check=check, entry=entry: check(bench, entry, expected["tone_hz"]))
    for pair in PAIRS:
        yield f"compare {pair[0]} {pair[1]}", lambda pair=pair: two(bench, expected, *pair)
