# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure everything beside its reference, in the same run.

    python tests/benchmarks [--quick] [--only lines] [--out bench.json]

Each `bench_*.py` beside this file has `rows(quick)`, which returns rows as `rows.row` makes
them, and may have `TARGETS`: the geometric mean that a topic's ratios shall reach. Each
runs in a process of its own, so that no Blender scene or cache of one helps or hurts another.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rows import geometric_mean

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the chosen modules, print the tables, write the file; 1 where something broke."""
    parser = argparse.ArgumentParser(prog="tests/benchmarks", description="Measure and compare.")
    parser.add_argument("--quick", action="store_true", help="few repetitions, under 40 seconds")
    parser.add_argument("--only", action="append", metavar="NAME", help="bench_NAME.py, repeatable")
    parser.add_argument("--out", type=Path, default=ROOT / "bench.json")
    parser.add_argument("--rows-of", help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.rows_of:
        return measure_module(chosen.rows_of, chosen.quick, chosen.out)

    names = chosen.only or sorted(path.stem[len("bench_") :] for path in HERE.glob("bench_*.py"))
    result: dict[str, Any] = {"machine": describe_machine(), "quick": chosen.quick, "rows": []}
    print("   ".join(f"{key}: {value}" for key, value in result["machine"].items()), flush=True)
    broken = []
    for name in names:
        part = run_module(f"bench_{name}", chosen.quick)
        if part is None:
            broken.append(name)
            continue
        rows = part["rows"] + summary_rows(part["rows"], part["targets"])
        print_tables(rows)
        result["rows"] += rows
    partial = chosen.out.with_name(chosen.out.name + ".partial")
    partial.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    os.replace(partial, chosen.out)
    missed = [row for row in result["rows"] if row["meets"] is False]
    print(f"\n{len(result['rows'])} rows in {chosen.out.name}; {len(missed)} below target")
    if broken:
        print("Broken: " + ", ".join(broken), file=sys.stderr)
    return 1 if broken else 0


def measure_module(module: str, quick: bool, out: Path) -> int:
    """Measure one module in this process and write its rows."""
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    bench = importlib.import_module(module)
    part = {"rows": list(bench.rows(quick)), "targets": getattr(bench, "TARGETS", {})}
    out.write_text(json.dumps(part), encoding="utf-8")
    return 0


def run_module(module: str, quick: bool) -> dict[str, Any] | None:
    """Measure one module in a new process; None where it broke."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "rows.json"
        environment = {**os.environ, "BLENDER_USER_RESOURCES": str(Path(folder) / "resources")}
        (Path(folder) / "resources").mkdir()
        command = [sys.executable, str(HERE), "--rows-of", module, "--out", str(out)]
        # What Blender prints goes to the log of the run only where something broke.
        finished = subprocess.run(
            command + ["--quick"] * quick,
            env=environment,
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        if finished.returncode or not out.exists():
            print(f"\n{module} broke:\n{finished.stderr[-3000:]}", file=sys.stderr, flush=True)
            return None
        part: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        return part


def summary_rows(rows: list[dict[str, Any]], targets: dict[str, float]) -> list[dict[str, Any]]:
    """Return a geometric mean for each topic that has two ratios or more."""
    summary = []
    for topic in dict.fromkeys(row["topic"] for row in rows):
        ratios = [row["ratio"] for row in rows if row["topic"] == topic and row["ratio"]]
        if len(ratios) < 2:
            continue
        mean, target = geometric_mean(ratios), targets.get(topic)
        summary.append(
            {
                "topic": topic,
                "case": f"geometric mean of {len(ratios)}",
                "ours": None,
                "reference": None,
                "unit": "",
                "ratio": mean,
                "target": target,
                "meets": None if target is None else mean >= target,
            }
        )
    return summary


def print_tables(rows: list[dict[str, Any]]) -> None:
    """Print one table for each topic."""
    for topic in dict.fromkeys(row["topic"] for row in rows):
        chosen = [row for row in rows if row["topic"] == topic]
        cells = [["case", "ours", "reference", "unit", "ratio", "target", "meets"]]
        for row in chosen:
            mark = {True: "yes", False: "NO", None: ""}[row["meets"]]
            numbers = [number(row[key]) for key in ("ours", "reference")]
            cells.append(
                [row["case"], *numbers, row["unit"] or "", number(row["ratio"]),
                 number(row["target"]), mark]
            )  # fmt: skip
        widths = [max(len(line[i]) for line in cells) for i in range(len(cells[0]))]
        print(f"\n{topic}")
        for line in cells:
            text = [line[0].ljust(widths[0])]
            text += [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
            print("  " + "  ".join(text), flush=True)


def number(value: float | None) -> str:
    """Return three significant digits, or nothing."""
    if value is None:
        return ""
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def describe_machine() -> dict[str, Any]:
    """Return what the figures were measured on."""
    import bpy
    import numpy

    threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                model = line.partition(":")[2].strip()
                break
    return {
        "cpu": model,
        "threads": threads,
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "blender": bpy.app.version_string,
        "numpy": numpy.__version__,
    }


if __name__ == "__main__":
    raise SystemExit(main())
