# SPDX-License-Identifier: GPL-3.0-or-later
"""Turns a file into a C array of its bytes: embed.py INPUT OUTPUT SYMBOL HEADER."""
import sys


def main():
    source, target, symbol, header = sys.argv[1:]
    with open(source, "rb") as file:
        data = file.read()
    # numbers rather than a string: C17 promises only 4095 characters in a string literal
    lines = [", ".join(str(byte if byte < 128 else byte - 256) for byte in data[at:at + 20])
             for at in range(0, len(data), 20)]
    with open(target, "w", encoding="ascii") as file:
        file.write(f'#include "{header}"\n\n')
        file.write(f"const char {symbol}[] = {{\n" + ",\n".join(lines) + ", 0};\n")
        file.write(f"const size_t {symbol}_length = sizeof {symbol} - 1;\n")


main()
