"""Each planted bug hunted from many seeds: a table of arms run, seconds and what was left of them.

python tests/plugin/seeds.py                     # all bugs, seeds 0 to 19
python tests/plugin/seeds.py --seeds 5:10 "no time-out"
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).parents[1] / "helpers"))
from worked_project import BUGS, Hunt, hunt


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("bug", nargs="*", help=f"of {', '.join(BUGS)}; all unless given")
    parser.add_argument("--seeds", default="0:20", metavar="FROM:TO")
    asked = parser.parse_args()
    for bug in asked.bug:
        if bug not in BUGS:
            parser.error(f"no bug {bug!r}: expected one of {', '.join(BUGS)}")
    first, last = map(int, asked.seeds.split(":"))
    for bug in asked.bug or BUGS:
        print(f"{bug}:", flush=True)
        found: list[Hunt] = []
        for number in range(first, last):
            try:
                found.append(hunt(bug, number))
                print(f"  {number:2} {found[-1].row()}", flush=True)
            except LookupError as error:
                print(f"  {number:2} {error}", flush=True)
        if not found:
            continue
        short = sum(len(each.arm.faults) <= 1 and each.arm.oddities <= 2 for each in found)
        times, counts = [each.shrunk_s for each in found], [each.examples for each in found]
        print(
            f"  {len(found)} of {last - first} found, {short} shrunk to one fault and two values "
            f"at most; after {median(counts):g} arms ({max(counts)} at most), "
            f"{median(times):.1f} s ({max(times):.1f} at most) with shrinking",
            flush=True,
        )


if __name__ == "__main__":
    main()
