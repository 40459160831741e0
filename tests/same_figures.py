"""Compare the JSON of every command on the demo's samples and the stored logs, by two checkouts.

Run by hand before a change that must not move a figure: ``python tests/same_figures.py BEFORE``,
where BEFORE is another checkout (``git worktree add``). Prints each place at which this tree's
output differs, and ends with 1 if any does.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parents[1]
# Times and versions are not figures.
IGNORED = ("added_at", "at", "program_version", "version")


def sweeplab(tree: Path, folder: Path, *words: str) -> Any:
    """Run one command of a checkout's program; its JSON, or its exit status and text."""
    ran = subprocess.run(
        [sys.executable, "-m", "sweeplab.cli", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(tree)},
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode == 0 and "--json" in words:
        lines = ran.stdout.splitlines()
        try:
            return json.loads(ran.stdout)
        except json.JSONDecodeError:
            return [json.loads(line) for line in lines]
    return {"exit": ran.returncode, "out": ran.stdout, "err": ran.stderr}


def outputs(tree: Path, samples: Path) -> dict[str, Any]:
    """Return the output of every command of a checkout, by its arguments."""
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for sample in samples.iterdir():
            shutil.copy2(sample, folder)

        def run(*words: str) -> Any:
            found[" ".join(words)] = answer = sweeplab(tree, folder, *words)
            return answer

        sweeps = sorted(p.name for p in folder.iterdir() if p.suffix in (".s1p", ".csv"))
        sweeps.remove("truth.csv")
        run("init")
        run("read", *sweeps, "--json")
        run("read", sweeps[0])
        builds = ("quay-1", "quay-2", "quay-3")
        for build in builds:
            mine = [sweep for sweep in sweeps if sweep.startswith(build)]
            run("build", "add", f"{build}.toml")
            run("read", *mine, "--build", f"{build}.toml", "--json")
            run("read", mine[0], "--build", f"{build}.toml")
            run("add", *mine, "--build", build, "--json")
            run("build", "show", build)
            run("plan", f"{build}.toml", "--json")
        run("plan", "quay-1.toml", "--band", "20m", "--circumference", "2.5m:4m:0.5m", "--json")
        run("plan", "quay-1.toml", "--stock", "2 m", "--json")
        listed = run("list", "--json")
        for sweep in listed["sweeps"][::7]:
            run("show", str(sweep["id"]), "--json")
        for before, after in (builds[:2], builds[1:]):
            run("compare", before, after, "--json")
            run("compare", before, after)
        for log in sorted((tree / "tests" / "data" / "logs").glob("*.db")):
            shutil.copy2(log, folder / log.name)
            run("list", "--json", "--log", log.name)
    return found


def differences(before: Any, after: Any, where: str) -> Iterator[str]:
    """Yield each place at which two JSON values differ."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in sorted({*before, *after} - {*IGNORED}):
            if key not in before or key not in after:
                yield f"{where}.{key}: only {'after' if key in after else 'before'}"
            else:
                yield from differences(before[key], after[key], f"{where}.{key}")
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for index, (old, new) in enumerate(zip(before, after, strict=True)):
            yield from differences(old, new, f"{where}[{index}]")
    elif before != after:
        yield f"{where}: {before!r} -> {after!r}"


def main() -> int:
    tree = Path(sys.argv[1]).resolve()
    samples = HERE / "samples" / "demo"
    before, after = outputs(tree, samples), outputs(HERE, samples)
    found = list(differences(before, after, ""))
    print("\n".join(found) or f"{len(after)} outputs, all the same")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
