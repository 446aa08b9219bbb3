"""What the voltages that are measured say of electrical sources that are to be dead: one account for proof and session.

The one rule: a voltage that did not conform stands against the proof until the same step is measured again and
conforms, or the source is switched on.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeGuard

from handsfree.procedure.model import EnergySource, Measure, SpokenStep, Step, Verdict, bounds
from handsfree.procedure.ranges import in_unit
from handsfree.spoken.meaning import Quantity, Waveform

# Volts. The utmost that a limit may call dead: extra-low voltage of IEC 60364-4-41 (band I of IEC 60449), from memory.
# What is dead reads next to nothing: the shipped procedures write at_most: 1.
HIGHEST: Mapping[Waveform, int] = {"ac": 50, "dc": 120}


class Energy(StrEnum):
    """What is known of an energy source."""

    LIVE = "live"
    ISOLATED = "isolated"
    PROVED_DEAD = "proved dead"


def is_voltage(step: Step) -> TypeGuard[Measure]:
    """Whether a step measures a voltage; one that is read from a plate is not measured."""
    return isinstance(step, Measure) and step.quantity is Quantity.VOLTAGE and not step.nameplate


def shows_dead(step: Step) -> bool:
    """Whether a conforming reading of this step shows that there is no voltage."""
    if not is_voltage(step) or step.limit is None or step.over_range is Verdict.CONFORMING:
        return False
    low, high = bounds(step.limit)
    utmost = HIGHEST[step.waveform or "ac"]
    return low <= 0 and high.is_finite() and in_unit(high, step.unit or "volt", "volt") <= utmost


def proves_tester(step: Step) -> bool:
    """Whether a conforming reading shows a voltage: that of a known live source, where all others are isolated."""
    return is_voltage(step) and step.limit is not None and bounds(step.limit)[0] > 0


def measured_at(step: SpokenStep, energy: Mapping[str, Energy], sources: Mapping[str, EnergySource]) -> tuple[str, ...]:
    """The electrical sources that a voltage is measured at: those that the step proves dead.

    Where it proves none, those that are isolated and not proved dead; where nothing is left to prove, those that are
    proved. None where the step needs an electrical source to be live: it measures that one.
    """
    electrical = tuple(name for name, source in sources.items() if source.kind == "electrical")
    if not is_voltage(step) or not set(electrical).isdisjoint(step.needs_live):
        return ()
    if step.proves_dead:
        return tuple(name for name in electrical if name in step.proves_dead)
    left = [name for name, source in sources.items() if source.kind in ("electrical", "stored")]
    if any(energy[name] is Energy.ISOLATED for name in left):
        return tuple(name for name in electrical if energy[name] is Energy.ISOLATED)
    return tuple(name for name in electrical if energy[name] is Energy.PROVED_DEAD)


def disproved(
    step: SpokenStep, outcome: str | None, energy: Mapping[str, Energy], sources: Mapping[str, EnergySource]
) -> tuple[str, ...]:
    """The sources that were proved dead and at which there is a voltage all the same, or may be."""
    if outcome in (None, Verdict.CONFORMING) or not shows_dead(step) or step.proves_dead:
        return ()
    return tuple(name for name in measured_at(step, energy, sources) if energy[name] is Energy.PROVED_DEAD)


_Measured = frozenset[tuple[str, Waveform | None]]


def _at_others(measured: _Measured, sources: Collection[str]) -> _Measured:
    return frozenset(pair for pair in measured if pair[0] not in sources)


@dataclass(frozen=True, slots=True)
class Voltages:
    """What was measured at the sources since they were isolated.

    ``shown`` are the sources at which a step that shows so found no voltage, each with the waveform that was measured;
    ``tested`` those that were isolated when the tester was proved, with the waveform of the known live source.
    ``failed`` are sources with the steps that did not conform and were not measured again.
    """

    shown: _Measured = frozenset()
    tested: _Measured = frozenset()
    failed: frozenset[tuple[str, str]] = frozenset()

    def after(
        self, step: Measure, outcome: str | None, energy: Mapping[str, Energy], sources: Mapping[str, EnergySource]
    ) -> Voltages:
        """What is known after a reading; ``energy`` is as it was before. Without a verdict it tells nothing."""
        at = measured_at(step, energy, sources)
        if outcome == Verdict.CONFORMING:
            failed = frozenset(pair for pair in self.failed if pair[1] != step.id)
            found = frozenset((name, step.waveform) for name in at)
            shown = self.shown | found if shows_dead(step) else self.shown
            return Voltages(shown, self.tested | found if proves_tester(step) else self.tested, failed)
        if outcome is None:
            return self
        gone = set(disproved(step, outcome, energy, sources))
        unproved = {name for name in at if name in step.proves_dead or energy[name] is not Energy.PROVED_DEAD}
        failed = self.failed | {(name, step.id) for name in unproved | gone}
        return replace(self, shown=_at_others(self.shown, gone), failed=failed)

    def shown_dead(self, step: Step, source: str) -> frozenset[Waveform | None]:
        """The waveforms by which a source that ``step`` is to prove dead was shown to be so since it was isolated: its
        own, or those measured before it. Empty where nothing shows it.
        """
        if isinstance(step, Measure) and shows_dead(step):
            return frozenset({step.waveform})
        return frozenset(waveform for name, waveform in self.shown if name == source)

    def isolated(self, sources: Collection[str]) -> Voltages:
        """After isolating, or finding live: what was measured before does not show that these are dead."""
        return replace(self, shown=_at_others(self.shown, sources), tested=_at_others(self.tested, sources))

    def energised(self, sources: Collection[str]) -> Voltages:
        """After switching on: a voltage is what is to be there."""
        failed = frozenset(pair for pair in self.failed if pair[0] not in sources)
        return replace(self.isolated(sources), failed=failed)

    def against(self, step: Step, source: str) -> tuple[str, ...]:
        """The other steps that stand against a step that is to prove a source dead, in alphabetical order."""
        return tuple(sorted(failed for name, failed in self.failed if name == source and failed != step.id))


NOTHING_MEASURED = Voltages()
