# SPDX-License-Identifier: GPL-3.0-or-later
"""What ngspice says about transient-cases.txt:  python3 transient_expected.py > transient-expected.txt

The op-amp: an integrator with a slew limit whose output is stopped by a very steep current (1e10 / s), behind
its output resistance. Each case starts from ngspice's own DC point; the last period is read at equal times.
"""
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

HERE = pathlib.Path(__file__).parent
CASES = HERE / "transient-cases.txt"
POINTS = 2000


def read(path):
    types, cases = {}, []
    for line in path.read_text().splitlines():
        words = line.split("#")[0].split()
        if not words:
            continue
        if words[0] == "type":
            types[words[1]] = [float(w) for w in words[2:]]
        elif words[0] == "case":
            cases.append({"name": words[1], "hz": float(words[2]), "peak": float(words[3]),
                          "periods": int(words[4]) if len(words) > 4 else 20, "elements": []})
        else:
            cases[-1]["elements"].append(words)
    return types, cases


def amp(lines, n, words, types):
    out, inverting, plus, kind, high, low = words[1:]
    clamped = kind.endswith("c") and kind[:-1] in types
    gbw, slew, gain, offset, bias, ohm, between = types[kind[:-1] if clamped else kind]
    w = 2 * np.pi * gbw
    asks = f"{w!r}*(v({plus})-v({inverting})+{offset!r})-{w / gain!r}*v(i{n})"
    stop = f"1e10*(max(v(i{n})-({high}),0)-max(({low})-v(i{n}),0))"
    lines += [f"Ci{n} i{n} 0 1u", f"Ri{n} i{n} 0 1e15",
              f"Bi{n} 0 i{n} I=1e-6*(min(max({asks},{-slew!r}),{slew!r})-{stop})",
              f"Eo{n} o{n} 0 i{n} 0 1", f"Ro{n} o{n} {out} {ohm!r}",
              f"Rd{n} {plus} {inverting} {between!r}",
              f"Ib{n} {plus} 0 {bias!r}", f"Im{n} {inverting} 0 {bias!r}"]
    if clamped:
        d = f"v({plus},{inverting})"
        lines.append(f"Bc{n} {plus} {inverting} I=0.1*(max({d}-0.6,0)-max(-0.6-{d},0))")


def netlist(case, types):
    hz, lines, see = case["hz"], ["* " + case["name"]], []
    for n, e in enumerate(case["elements"]):
        if e[0] == "drive":
            lines += [f"Vs{n} s{n} 0 SIN(0 {case['peak']} {hz})", f"Rs{n} s{n} {e[1]} {e[2]}"]
        elif e[0] == "hold":
            lines += [f"Vs{n} s{n} 0 {e[3]}", f"Rs{n} s{n} {e[1]} {e[2]}"]
        elif e[0] in "rc":
            lines.append(f"{e[0]}{n} {e[1]} {e[2]} {e[3]}")
        elif e[0] == "amp":
            amp(lines, n, e, types)
        elif e[0] == "limit":
            lines.append(f"Bl{n} {e[1]} 0 I=1e-3*(max(v({e[1]})-({e[3]}),0)-max(({e[2]})-v({e[1]}),0))")
        elif e[0] == "diode":
            emission = float(e[4]) / 0.0258649  # ngspice's kT/q at 27 C
            lines += [f"D{n} {e[1]} {e[2]} d{n}",
                      f".model d{n} D(IS={e[3]} N={emission!r} RS={e[5]} CJO=0 TT=0)"]
        elif e[0] == "windings":
            k = float(e[9]) / np.sqrt(float(e[7]) * float(e[8]))
            lines += [f"Rp{n} {e[1]} p{n} {e[5]}", f"Lp{n} p{n} {e[2]} {e[7]}", f"Rq{n} {e[3]} q{n} {e[6]}",
                      f"Lq{n} q{n} {e[4]} {e[8]}", f"K{n} Lp{n} Lq{n} {k!r}"]
        elif e[0] == "see":
            see.append(f"v({e[1]})" if e[2] == "0" else f"v({e[1]},{e[2]})")
    period = 1 / hz
    start = (case["periods"] - 1) * period
    lines += [".options reltol=1e-5 abstol=1e-13 vntol=1e-8 gmin=1e-12 rshunt=1e12 method=gear",
              f".tran {period / 500!r} {start + period!r} {start - 0.01 * period!r} {period / 2000!r}", ".end"]
    return "\n".join(lines) + "\n", see


def run(case, types):
    text, see = netlist(case, types)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)
        control = f".control\nset numdgt=12\nrun\nwrdata out.txt {' '.join(see)}\n.endc\n.end\n"
        (folder / "n.cir").write_text(text.replace(".end\n", control))
        got = subprocess.run(["ngspice", "-n", "-b", "n.cir"], cwd=folder, capture_output=True, text=True,
                             timeout=600, check=False)
        if not (folder / "out.txt").exists():
            sys.exit(f"{case['name']}: ngspice said\n{got.stdout}\n{got.stderr}")
        table = np.loadtxt(folder / "out.txt")
    time, answers = table[:, 0], []
    start = (case["periods"] - 1) / case["hz"]
    at = start + np.arange(1, POINTS + 1) / POINTS / case["hz"]
    angle = 2 * np.pi * np.arange(1, POINTS + 1) / POINTS
    for c in range(len(see)):
        v = np.interp(at, time, table[:, 2 * c + 1])
        lines = [2 * np.mean((v - v.mean()) * (np.sin(h * angle) + 1j * np.cos(h * angle))) for h in range(1, 11)]
        answers += [v.mean(), abs(lines[0]), np.degrees(np.angle(lines[0])),
                    np.sqrt(sum(abs(line) ** 2 for line in lines[1:])) / abs(lines[0])]
    return answers


def main():
    types, cases = read(CASES)
    print("# made by transient_expected.py; a channel: dc_v, tone V peak, degrees, THD")
    for case in cases:
        if len(sys.argv) > 1 and case["name"] not in sys.argv[1:]:
            continue
        print(case["name"], " ".join(f"{x:.6g}" for x in run(case, types)), flush=True)


main()
