# SPDX-License-Identifier: GPL-3.0-or-later
"""log stats, and what repairs do to the next diagnosis, from outside."""
from bench import expect
from board import SMALL, small
from log import BAD, GOOD, add, fresh


def reading(number):
    """A good unit that differs from the others."""
    return (f"tone:gain_db={0.01 + 0.002 * (number % 7)}~0.01", *GOOD[1:])


def units_together(bench):
    log = fresh(bench, "stats.db")
    for number in range(6):
        add(bench, log, f"S{number}", reading(number))
    add(bench, log, "S6", BAD)
    add(bench, log, "S0", reading(9))  # the latest run of a unit counts
    bench.answer("log", "repair", "S6", "--log", log, "--fault", "wrong-value:R2=70k")
    found = bench.answer("log", "stats", "--log", log, status=0)
    expect((found["units"], found["passed"], found["failed"], found["undecided"]) == (7, 6, 1, 0), f"{found['units']} units")
    # Wilson, 6 of 7, 95 %: SciPy 1.10, binomtest(6, 7).proportion_ci(method="wilson")
    expect(abs(found["yield"]["low"] - 0.486872) < 1e-5 and abs(found["yield"]["high"] - 0.974320) < 1e-5, f"{found['yield']}")
    gain = [one for one in found["figures"] if one["figure"] == "gain_db"][0]
    for key in ("step", "unit", "count", "missing", "mean", "spread", "min", "max", "cp", "cpk", "chart", "tolerance",
                "outliers"):
        expect(key in gain, f"a figure without {key}")
    expect(gain["count"] == 7 and gain["missing"] == 0 and gain["max"] == 0.3, f"gain {gain}")
    expect([one["unit"] for one in gain["outliers"]] == ["S6"], f"outliers {gain['outliers']}")
    expect(abs(sum(gain["cp"][key] is not None for key in ("low", "value", "high")) - 3) == 0, f"cp {gain['cp']}")
    expect(found["faults"][0] == {"fault": "wrong-value:R2", "confirmed": 1, "suspected": found["faults"][0]["suspected"]},
           f"faults {found['faults']}")
    expect(found["proposed_limits"] == [], "limits proposed where the board has its own")
    answer = bench.run(["log", "stats", "small", "--log", log])
    for word in ("small: 7 units", "Yield 85.7 %", "48.7 to 97.4", "S6", "outlier", "repaired"):
        expect(word in answer.text, f"the answer does not say {word}:\n{answer.text}")
    wide = [line for line in answer.text.splitlines() if len(line) > 80]
    expect(not wide, f"more than 80 columns: {wide[:1]}")
    by_file = bench.answer("log", "stats", small(bench), "--log", log, status=0)
    expect(by_file["figures"] == found["figures"], "by the board's file it is another answer")


def proposed(bench):
    """A board without limits gets some from its good units, as lines that the board file takes."""
    log = fresh(bench, "proposed.db")
    plain = SMALL.split("limits:")[0].replace("board: small", "board: plain")
    board = bench.write("plain.yaml", plain)
    for number in range(6):
        bench.answer("log", "add", board, "--log", log, "--unit", number, *reading(number))
    found = bench.answer("log", "stats", "--log", log, status=0)
    gain = [one for one in found["proposed_limits"] if one["figure"] == "gain_db"][0]
    expect(gain["min"] < 0.01 and gain["max"] > 0.02 and gain["count"] == 6, f"proposed {gain}")
    lines = bench.run(["log", "stats", "--log", log]).text.split("limits:\n")[1]
    bench.write("limited.yaml", plain + "limits:\n" + lines)
    expect(bench.run(["board", "limited.yaml"]).status == 0, "the proposed lines are refused")


def refusals(bench):
    log = fresh(bench, "boards.db")
    add(bench, log, "1")
    board = bench.write("other.yaml", SMALL.replace("board: small", "board: other"))
    bench.answer("log", "add", board, "--log", log, "--unit", "1", *GOOD)
    bench.error(64, "*which board? the log has units of other, small", "log", "stats", "--log", log)
    bench.error(64, "*which board?*", "log", "stats", "nameless", "--log", log)
    bench.error(64, "*one BOARD at most*", "log", "stats", "small", "other", "--log", log)
    bench.error(66, "*no unit log here*", "log", "stats", "--log", "nothing.db")


def weighs_in(bench):
    """What was repaired on that board makes the same likelier, and the answer says so."""
    log = fresh(bench, "history.db")
    seen = ("tone:gain_db=6~0.05", "tone:phase_deg=180~0.2", "tone:dc_v@out=0~0.001")

    def diagnose(*options, **more):
        return bench.answer("diagnose", small(bench), *seen, *options, **more)

    plain = diagnose()
    first = plain["findings"][0]["faults"]
    expect({fault["part"] for fault in first} >= {"R1", "R2"}, f"R1 and R2 are not one finding: {first}")
    other = {"R1": "R2", "R2": "R1"}[first[0]["part"]]
    fault = f"wrong-value:{other}=1k"
    add(bench, log, "H")
    expect("history" not in diagnose("--log", log), "history without a repair")
    for _ in range(6):
        bench.answer("log", "repair", "H", "--log", log, "--fault", fault)
    found = diagnose("--log", log)
    expect(found["history"] == {"repairs": 6, "log": log, "prior_worth": 10}, f"history {found.get('history')}")
    named = found["findings"][0]["faults"][0]
    expect(named["part"] == other, f"{first[0]} without, {named} with six repairs of {other}")
    expect(diagnose(env={"COLDJOINT_LOG": log}) == found, "$COLDJOINT_LOG does otherwise")
    for options, env in ((("--log", log, "--no-history"), {}), (("--no-history",), {"COLDJOINT_LOG": log}),
                         ((), {"COLDJOINT_LOG": "nothing.db"}), ((), {})):
        expect(diagnose(*options, env=env) == plain, f"{options} {env}: not as without a log")
    text = bench.run(["diagnose", small(bench), *seen, "--log", log]).text
    expect("6 repairs of this board in history.db weigh in" in " ".join(text.split()), text)
    board = bench.write("other.yaml", SMALL.replace("board: small", "board: other"))
    expect("history" not in bench.answer("diagnose", board, *seen, "--log", log), "repairs of another board")
    bench.error(66, "*no unit log here*", "diagnose", small(bench), *seen, "--log", "nothing.db")


def tests(bench):
    for name, test in (("units", units_together), ("proposed limits", proposed), ("refusals", refusals),
                       ("history", weighs_in)):
        yield f"stats: {name}", lambda test=test: test(bench)
