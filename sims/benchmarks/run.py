"""All benchmarks in one run: a table for people, JSON for comparing.

    python -m sims.benchmarks.run [--short] [--only NAME] [--json FILE] [--keep]

``--keep`` stores this run's ratios and exponents as the baseline, with machine and versions. Nothing fails on time.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import sys
from dataclasses import asdict
from importlib import metadata
from pathlib import Path
from typing import Any

from sims.benchmarks.figures import Figure

HERE = Path(__file__).parent
BASELINE = HERE / "baseline.json"
VERSIONS = ("numpy", "scipy", "textual", "pydantic", "mujoco")
KEPT_UNITS = ("×", "exponent")


def processor() -> str:
    """Processor's name, without anything that identifies the machine."""
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.machine()


def about() -> dict[str, str]:
    """Where this run was made, and how busy the machine was with other work besides."""
    load = f"{os.getloadavg()[0]:.1f} on {os.cpu_count()} cores" if hasattr(os, "getloadavg") else "not known"
    place = {"python": platform.python_version(), "processor": processor(), "load": load}
    return {**place, **{v: metadata.version(v) for v in VERSIONS}}


def names() -> list[str]:
    """Every benchmark beside this file."""
    return sorted(p.stem.removeprefix("bench_") for p in HERE.glob("bench_*.py"))


def baseline() -> dict[str, Any]:
    """The stored ratios; empty before the first."""
    return dict(json.loads(BASELINE.read_text(encoding="utf-8"))["figures"]) if BASELINE.exists() else {}


def show(figures: list[Figure], kept: dict[str, Any]) -> None:
    """Print the table."""
    width = max(len(f.name) for f in figures)
    print(
        f"{'figure':<{width}}  {'median':>10} {'least':>10} {'most':>10}  {'unit':<8} {'goal':>8}  met   baseline   against"
    )
    for f in figures:
        goal = "" if f.goal is None else f"{'≥' if f.more_is_better else '≤'} {f.goal:g}"
        met = {None: "", True: "yes", False: "NO"}[f.met]
        before = kept.get(f.name)
        line = f"{f.name:<{width}}  {f.value:>10.4g} {f.low:>10.4g} {f.high:>10.4g}  {f.unit:<8} {goal:>8}  {met:<4}"
        print(f"{line}  {'' if before is None else format(before, '.4g'):>8}   {f.peer}")


def main() -> None:
    """Run and show."""
    parser = argparse.ArgumentParser(description="Run the benchmarks.")
    parser.add_argument("--short", action="store_true", help="fewer repeats and smaller sizes")
    parser.add_argument("--only", choices=names(), action="append", help="only this one; may be repeated")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the run as JSON")
    parser.add_argument("--keep", action="store_true", help="store the ratios as the baseline")
    asked = parser.parse_args()
    figures: list[Figure] = []
    for name in asked.only or names():
        print(f"running {name} …", file=sys.stderr, flush=True)
        figures += importlib.import_module(f"sims.benchmarks.bench_{name}").measure(asked.short)
    show(figures, baseline())
    record = {"about": about(), "short": asked.short, "figures": [asdict(f) | {"met": f.met} for f in figures]}
    if asked.json:
        asked.json.write_text(json.dumps(record, indent=1, ensure_ascii=False), encoding="utf-8")
    if asked.keep:
        kept = {**baseline(), **{f.name: round(f.value, 4) for f in figures if f.unit in KEPT_UNITS}}
        text = json.dumps({"about": about(), "figures": dict(sorted(kept.items()))}, indent=1, ensure_ascii=False)
        BASELINE.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
