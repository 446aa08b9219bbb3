"""The shipped procedures: proved, in the order that the rules for safe work ask for, and easy to follow by ear.

Order of isolation: 29 CFR 1910.147(d)(3) to (d)(6) (isolate, lock, relieve what is stored, verify) and NFPA 70E
120.5(7) (the tester is proved on a known source before and after the test). Both as paraphrased in secondary copies.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from handsfree.procedure.load import load, loads
from handsfree.procedure.model import Calculate, Choose, Conclude, Measure, Observe, Procedure, SpokenStep, Verdict
from handsfree.procedure.proof import advise, check, prove
from handsfree.procedure.sense import outcomes_of

FOLDER = Path(__file__).parents[2] / "procedures"
SHIPPED = sorted(FOLDER.glob("*.yaml"))
COOLER = FOLDER / "bottle-cooler-does-not-cool.yaml"
LIFT = FOLDER / "lift-table-is-slow.yaml"
PROOFER = FOLDER / "retarder-proofer-is-off-temperature.yaml"
CURTAIN = FOLDER / "air-curtain-blows-cold.yaml"

each = pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)


def walk(procedure: Procedure, outcomes: dict[str, str]) -> Iterator[SpokenStep | Conclude]:
    """The steps that are met where each step ends as given, and otherwise well (conforming, first answer, done)."""
    at: str | None = procedure.steps[0].id
    last: dict[str, str] = {}
    for _ in range(200):
        assert at is not None
        step = procedure.step(at)
        if isinstance(step, Conclude):
            yield step
            return
        outcome: str | None = None
        if isinstance(step, Choose):
            at = procedure.target(at, last[step.by])
            continue
        if isinstance(step, Observe):
            outcome = outcomes.get(at, next(iter(step.answers)))
        elif outcomes_of(step):
            outcome = outcomes.get(at, Verdict.CONFORMING)
        if not isinstance(step, Calculate):
            yield step
        if outcome is not None:
            last[at] = outcome
        at = procedure.target(at, outcome)
    pytest.fail("the walk does not end")


def test_there_are_procedures_from_three_trades() -> None:
    assert {COOLER, LIFT, PROOFER} <= set(SHIPPED)


@each
def test_a_shipped_procedure_is_proved(path: Path) -> None:
    assert check(path) == []
    assert advise(load(path)) == []


@each
def test_a_shipped_procedure_has_cautions_and_yields_to_local_rules(path: Path) -> None:
    procedure = load(path).procedure
    signals = {caution.signal for step in procedure.steps if isinstance(step, SpokenStep) for caution in step.cautions}
    assert {"danger", "warning", "caution", "notice"} <= signals
    assert "local" in procedure.local_rules


@each
def test_hands_go_inside_only_after_isolating_and_proving_with_a_proved_tester(path: Path) -> None:
    procedure = load(path).procedure
    inside = {step.id for step in procedure.steps if isinstance(step, SpokenStep) and step.hands_inside}
    electrical = next(name for name, source in procedure.sources.items() if source.kind == "electrical")
    ways = [
        ["listen=humming"],
        ["lift-time=nonconforming"],
        ["motor-current=nonconforming"],
        ["listen=silent"],
        ["fan=silent"],
    ]
    entered = 0
    for way in ways:
        steps = list(walk(procedure, dict(pair.split("=", 1) for pair in way)))
        names = [step.id for step in steps]
        first = next((number for number, name in enumerate(names) if name in inside), None)
        if first is None:
            continue
        entered += 1
        spoken = [step for step in steps[:first] if not isinstance(step, Conclude)]
        isolated = next(number for number, step in enumerate(spoken) if electrical in step.isolates)
        proved = next(number for number, step in enumerate(spoken) if electrical in step.proves_dead)
        before, after = names.index("tester-before"), names.index("tester-after")
        dead_tests = [
            number
            for number, step in enumerate(spoken)
            if isinstance(step, Measure) and step.waveform == "ac" and before < number < after
        ]
        assert isolated < before < after == proved < first
        assert len(dead_tests) >= 2  # between the conductors and to ground
        for source in procedure.sources:
            off = next(number for number, step in enumerate(spoken) if source in step.isolates)
            dead = next(number for number, step in enumerate(spoken) if source in step.proves_dead)
            assert off < dead < first
    assert entered >= 1


@pytest.mark.parametrize(
    ("path", "step", "line"),
    [
        (COOLER, "unplug", "isolates: [mains]"),
        (COOLER, "isolate-again", "isolates: [mains]"),
        (COOLER, "discharge", "isolates: [capacitor]"),
        (COOLER, "tester-after", "proves_dead: [mains]"),
        (COOLER, "capacitor-voltage", "proves_dead: [capacitor]"),
        (COOLER, "leads-back", "puts_back: [sensor plug, capacitor lead]"),
        (COOLER, "starter-back", "puts_back: [overload, start relay]"),
        (COOLER, "cover-back", "puts_back: [terminal cover]"),
        (COOLER, "panel-back", "puts_back: [rear panel]"),
        (COOLER, "stop-panel-back", "puts_back: [rear panel]"),
        (COOLER, "cover-off", "takes_off: [terminal cover]"),
        (COOLER, "isolate-again", "next: tester-before"),
        (COOLER, "power-up", "energises: [mains, capacitor]"),
        (LIFT, "props", "isolates: [platform]"),
        (LIFT, "switch-off", "isolates: [mains]"),
        (LIFT, "relieve", "isolates: [oil]"),
        (LIFT, "residual-pressure", "proves_dead: [oil]"),
        (LIFT, "platform-blocked", "proves_dead: [platform]"),
        (LIFT, "tester-after", "proves_dead: [mains]"),
        (LIFT, "valve-in", "puts_back: [relief valve]"),
        (LIFT, "cover-back", "puts_back: [terminal box cover]"),
        (PROOFER, "unplug", "isolates: [mains]"),
        (PROOFER, "isolate-again", "next: tester-before"),
        (PROOFER, "tester-after", "proves_dead: [mains]"),
        (PROOFER, "panel-back", "puts_back: [side panel]"),
        (PROOFER, "panel-back-unresolved", "puts_back: [side panel]"),
        (CURTAIN, "isolate", "isolates: [mains]"),
        (CURTAIN, "isolate-again", "isolates: [mains]"),
        (CURTAIN, "tester-after", "proves_dead: [mains]"),
        (CURTAIN, "cover-off", "takes_off: [cover, heater plugs]"),
        (CURTAIN, "cover-on", "puts_back: [heater plugs, cover]"),
        (CURTAIN, "isolate-again", "next: tester-before"),
    ],
)
def test_no_line_that_keeps_a_technician_safe_can_be_lost_unseen(path: Path, step: str, line: str) -> None:
    text = path.read_text(encoding="utf-8")
    start = text.index(f"  - id: {step}\n")
    cut = text.index(f"    {line}\n", start)
    assert text.find("  - id: ", start + 1) > cut or text.find("  - {id: ", start + 1) > cut
    without = text[:cut] + text[cut + len(f"    {line}\n") :]
    assert prove(loads(without.encode(), "without").procedure)


def conclusion(path: Path, outcomes: dict[str, str]) -> tuple[Conclude, int]:
    """The end of a walk and the number of readings on it."""
    steps = list(walk(load(path).procedure, outcomes))
    end = steps[-1]
    assert isinstance(end, Conclude)
    return end, sum(isinstance(step, Measure) for step in steps)


@pytest.mark.parametrize(
    ("outcomes", "part", "least"),
    [
        ({"chamber-air": "nonconforming", "listen": "humming", "start-relay": "nonconforming"}, "start relay", 10),
        ({"listen": "silent", "sensor": "nonconforming"}, "chamber sensor", 8),
        ({"listen": "silent", "overload": "nonconforming", "overload-cool": "nonconforming"}, "overload", 10),
        ({"listen": "humming", "start-winding": "nonconforming"}, "compressor", 12),
        ({"listen": "humming", "insulation": "nonconforming"}, "compressor", 14),
        ({"listen": "humming", "run-capacitor": "nonconforming"}, "run capacitor", 15),
        ({"listen": "humming", "starts": "silent"}, "compressor", 15),
    ],
)
def test_the_cooler_procedure_names_the_bad_part(outcomes: dict[str, str], part: str, least: int) -> None:
    end, readings = conclusion(COOLER, outcomes)
    assert (end.condition, end.part) == ("faulty", part)
    assert readings >= least


def test_a_blocked_condenser_is_cleaned_and_the_cooler_is_sound() -> None:
    outcomes = {"chamber-air": "nonconforming", "listen": "silent", "condenser": "blocked"}
    end, readings = conclusion(COOLER, outcomes)
    assert end.condition == "sound"
    assert readings >= 10
    assert "clean-condenser" in [step.id for step in walk(load(COOLER).procedure, outcomes)]


def test_a_cooler_with_a_bad_part_is_left_isolated_and_closed() -> None:
    outcomes = {"listen": "humming", "start-relay": "nonconforming"}
    steps = list(walk(load(COOLER).procedure, outcomes))
    spoken = [step for step in steps if not isinstance(step, Conclude)]
    off = [item for step in spoken for item in step.off_here]
    back = [item for step in spoken for item in step.puts_back]
    assert not any(step.energises for step in spoken)
    assert back == off[::-1]  # in reverse order


@pytest.mark.parametrize(
    ("outcomes", "condition", "part"),
    [
        ({"load": "nonconforming"}, "sound", None),
        ({}, "sound", None),
        ({"pressure": "nonconforming", "winding": "nonconforming"}, "faulty", "pump motor"),
        ({"pressure": "nonconforming", "pressure-after": "nonconforming"}, "faulty", "hydraulic pump"),
        ({"pressure": "nonconforming"}, "sound", None),
    ],
)
def test_the_lift_procedure_comes_to_its_ends(outcomes: dict[str, str], condition: str, part: str | None) -> None:
    end, _ = conclusion(LIFT, outcomes)
    assert (end.condition, end.part) == (condition, part)


@pytest.mark.parametrize(
    ("outcomes", "condition", "part"),
    [
        ({"complaint": "warm"}, "sound", None),
        ({"complaint": "cold"}, "sound", None),
        ({"complaint": "warm", "elements-alike": "nonconforming"}, "faulty", "heating element"),
        ({"complaint": "warm", "elements-as-on-plate": "nonconforming"}, "faulty", "heating elements"),
        ({"complaint": "warm", "probe-error": "nonconforming"}, "faulty", "chamber probe"),
        ({"complaint": "warm", "warm-up": "nonconforming"}, "unresolved", None),
        ({"complaint": "cold", "windings-add-up": "nonconforming"}, "faulty", "compressor"),
        ({"complaint": "cold", "insulation": "nonconforming"}, "faulty", "compressor"),
        ({"complaint": "cold", "superheat": "nonconforming"}, "faulty", "expansion valve or charge"),
        ({"complaint": "cold", "pull-down": "nonconforming"}, "unresolved", None),
    ],
)
def test_the_proofer_procedure_comes_to_its_ends(outcomes: dict[str, str], condition: str, part: str | None) -> None:
    end, _ = conclusion(PROOFER, outcomes)
    assert (end.condition, end.part) == (condition, part)


@pytest.mark.parametrize(
    ("outcomes", "condition", "part"),
    [
        ({"heater": "nonconforming"}, "faulty", "heater"),
        ({"cut-out": "nonconforming"}, "faulty", "thermal cut-out"),
        ({"cut-out": "undecided"}, "unresolved", None),
        ({"heater": "undecided"}, "unresolved", None),
        ({"supply": "undecided"}, "unresolved", None),
        ({}, "unresolved", None),
    ],
)
def test_the_air_curtain_procedure_comes_to_its_ends(
    outcomes: dict[str, str], condition: str, part: str | None
) -> None:
    end, _ = conclusion(CURTAIN, outcomes)
    assert (end.condition, end.part) == (condition, part)


def test_the_lift_procedure_asks_for_eight_readings_of_several_quantities() -> None:
    readings = [step for step in load(LIFT).procedure.steps if isinstance(step, Measure)]
    assert len(readings) >= 8
    assert {"mass", "temperature", "voltage", "frequency", "time", "pressure", "torque"} <= {
        step.quantity.value for step in readings
    }


@each
def test_an_answer_has_two_to_four_phrases(path: Path) -> None:
    for step in load(path).procedure.steps:
        if isinstance(step, Observe):
            for phrases in step.answers.values():
                assert 2 <= len(phrases) <= 4
