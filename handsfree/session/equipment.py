"""What the equipment in front of the technician is like, as far as completed steps tell: which sources of energy are
live, isolated or proved dead, what is off, and which new part is not verified.

The one rule: it only becomes safer by a step that is completed now. A step that is taken back has made nothing safe
until it is done again; what it took off or energised stays so.

Whatever changes something gives the records of what is different now, in order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from handsfree.judge.meter import Meter
from handsfree.procedure.dead import NOTHING_MEASURED, Energy, disproved
from handsfree.procedure.model import Do, EnergySource, Item, Measure, SpokenStep, Verdict
from handsfree.session.events import Mark, Record
from handsfree.session.ledger import Ledger, Off
from handsfree.spoken.meaning import Quantity


class Equipment:
    """``energy`` is what is known of each source of energy, by its key; ``off`` is what is off."""

    def __init__(self, sources: Mapping[str, EnergySource]) -> None:
        self._sources = sources
        self.energy = {name: Energy(source.at_start) for name, source in sources.items()}
        self.off = Ledger()
        self._replaced: dict[str, str] = {}  # parts by name, and the step that verifies each
        self._unverified: set[str] = set()  # of these
        self._new: set[str] = set()  # of these, those whose replacement was not taken back
        self._tested: dict[str, str | None] = {}  # voltage steps since isolating, and the meter used
        self.stale: frozenset[str] = frozenset()  # of these, those from before the session was left
        self._voltages = NOTHING_MEASURED

    # -- what is known -------------------------------------------------------------------------------------------------

    @property
    def live(self) -> list[str]:
        """The names of the sources that are live."""
        return [source.name for key, source in self._sources.items() if self.energy[key] is Energy.LIVE]

    @property
    def states(self) -> list[str]:
        """Each source by name, what is known of it, and whether a voltage was measured there."""
        found = self.not_found_dead
        return [
            f"{source.name} {self.energy[key].value}{', but not found dead' if source.name in found else ''}"
            for key, source in self._sources.items()
        ]

    @property
    def not_found_dead(self) -> list[str]:
        """The names of the sources at which a voltage was found, or may have been, since they were isolated."""
        failed = {source for source, _ in self._voltages.failed if self.energy[source] is not Energy.LIVE}
        return [source.name for key, source in self._sources.items() if key in failed]

    @property
    def unproved(self) -> frozenset[str]:
        """The sources that are not proved dead."""
        return frozenset(source for source, state in self.energy.items() if state is not Energy.PROVED_DEAD)

    @property
    def unverified(self) -> Mapping[str, str]:
        """The new parts that were not shown to work, and the step that does it."""
        return {part: step for part, step in self._replaced.items() if part in self._unverified}

    @property
    def one_meter(self) -> bool:
        """Whether all voltages since isolating were measured with the same meter.

        One that is proved on a live source before and after proves nothing of another one in between.
        """
        return len(set(self._tested.values())) <= 1

    def against(self, step: SpokenStep) -> tuple[str, ...]:
        """The steps that found a voltage, or may have, where ``step`` is to prove dead, and were not measured again."""
        found = (self._voltages.against(step, source) for source in step.proves_dead)
        return tuple(dict.fromkeys(other for steps in found for other in steps))

    def not_shown_dead(self, step: SpokenStep) -> list[str]:
        """The names of the isolated sources that ``step`` is to prove dead, and that no voltage shows to be so."""
        return [
            self._sources[source].name
            for source in step.proves_dead
            if self.energy[source] is Energy.ISOLATED and not self._shown_dead(step, source)
        ]

    def _shown_dead(self, step: SpokenStep, source: str) -> bool:
        return self._sources[source].kind != "electrical" or bool(self._voltages.shown_dead(step, source))

    def found_voltage(self, step: SpokenStep) -> bool:
        """Whether the last reading of a step stands against proving dead."""
        return any(failed == step.id for _, failed in self._voltages.failed)

    def blocked(self, step: SpokenStep) -> str | None:
        """Why a step is forbidden now; None where it is not."""
        energy, sources = self.energy, self._sources
        if step.hands_inside:
            for source, state in energy.items():
                if state is not Energy.PROVED_DEAD:
                    known = "live" if state is Energy.LIVE else "isolated, but not proved dead"
                    return f"hands stay out: {sources[source].name} is {known}"
        for source in step.needs_isolated:
            if energy[source] is Energy.LIVE:
                return f"isolate first: {sources[source].name} is live"
        for source in step.needs_live:
            if energy[source] is not Energy.LIVE:
                return f"this step needs power: {sources[source].name} is {energy[source].value}"
        if step.takes_off:
            for key, supply in sources.items():
                if supply.kind == "electrical" and energy[key] is Energy.LIVE:
                    return f"nothing comes off: {supply.name} is live"
        left = [item for item in self.off if item not in step.puts_back]
        if step.energises and left:
            return f"put back first: {', '.join(left)}"
        return None

    # -- what a completed step does ------------------------------------------------------------------------------------

    def isolate(self, step: SpokenStep) -> list[Record]:
        """The sources that a step isolates are isolated, where they were live."""
        live = [source for source in step.isolates if self.energy[source] is Energy.LIVE]
        if live:
            self.prove_anew()
        self._voltages = self._voltages.isolated(step.isolates)
        return self._all(live, Energy.ISOLATED)

    def prove_dead(self, step: SpokenStep) -> list[Record]:
        """The sources that a step proves dead are so, where they are isolated and no voltage stands against it.

        Dead and not isolated is a supply that happens to be off: it can come back.
        """
        if step.proves_dead:
            self.prove_anew()
        isolated = [
            source
            for source in step.proves_dead
            if self.energy[source] is Energy.ISOLATED
            and self._shown_dead(step, source)
            and not self._voltages.against(step, source)
        ]
        return self._all(isolated, Energy.PROVED_DEAD)

    def energise(self, step: SpokenStep) -> list[Record]:
        """The sources that a step energises are live."""
        self._voltages = self._voltages.energised(step.energises)
        return self._all(step.energises, Energy.LIVE)

    def take_off(self, step: SpokenStep, counted: Mapping[str, int]) -> list[Record]:
        """What a step takes off is off; ``counted`` is how many of an item were counted, where they were."""
        return [record for item in step.takes_off for record in self._off(step, item, counted.get(item.item))]

    def take_partly_off(self, step: SpokenStep, counted: Mapping[str, int]) -> list[Record]:
        """So many of some items are off where a step was begun and is left."""
        begun = [item for item in step.takes_off if item.item in counted]
        return [record for item in begun for record in self._off(step, item, counted[item.item])]

    def _off(self, step: SpokenStep, item: Item, count: int | None) -> list[Record]:
        if item.item in self.off and count in (None, self.off[item.item].count):
            return []
        return [_is_off(step, self.off.take_off(item, step.id, count))]

    def put_back(self, step: SpokenStep, counted: Mapping[str, int]) -> list[Record]:
        """What a step puts back is off no more; ``counted`` is how many of an item were counted, where they were."""
        records = []
        for name in step.puts_back:
            if name in self.off:
                self.off.put_back(name, counted.get(name))
                records.append(Record(Mark.PUT_BACK, {"step": step.id, "item": name}))
        return records

    def replace(self, part: str, verified_by: str) -> None:
        """There is a new part, which is not verified before the step ``verified_by`` is completed."""
        self._replaced[part] = verified_by
        self._unverified.add(part)
        self._new.add(part)

    def verify(self, step: SpokenStep) -> list[Record]:
        """The new parts are verified that wait for this step."""
        parts = [part for part in self._verified_by(step) if part in self._unverified]
        self._unverified.difference_update(parts)
        return [Record(Mark.VERIFIED, {"step": step.id, "part": part, "stands": True}) for part in parts]

    # -- what makes it less safe ---------------------------------------------------------------------------------------

    def disprove(self, step: SpokenStep, outcome: str | None) -> list[Record]:
        """Measured and not dead: whatever was believed before holds no longer."""
        if outcome == Verdict.NONCONFORMING:
            return self._all(step.proves_dead, Energy.LIVE)
        proved = [source for source in step.proves_dead if self.energy[source] is Energy.PROVED_DEAD]
        return self._all(proved, Energy.ISOLATED)

    def take_back(self, step: SpokenStep) -> list[Record]:
        """What a step made safe is not until it is done again; what it took off or energised stays so."""
        records = self.disprove(step, None) + self._all(step.isolates, Energy.LIVE)
        replaces = step.replaces if isinstance(step, Do) else None
        if replaces is not None and replaces.part in self._new:
            self._new.discard(replaces.part)
            records.append(Record(Mark.REPLACED, {"step": step.id, "part": replaces.part, "stands": False}))
        for part in self._verified_by(step):
            if part not in self._unverified:
                self._unverified.add(part)
                records.append(Record(Mark.VERIFIED, {"step": step.id, "part": part, "stands": False}))
        for name in step.puts_back:
            if name not in self.off:
                records.append(_is_off(step, self.off.not_back(name, step.id)))
        return records

    def left_alone(self) -> list[Record]:
        """Nobody looked after it for a while: nothing is proved dead, since somebody may have switched on.

        Nor do the voltages of a proof that was not over count: it is none before each of them is measured again.
        """
        stale = self.stale.union(self._tested)
        self.prove_anew()
        self.stale = stale
        return self._all([source for source in self.energy if source not in self.unproved], Energy.ISOLATED)

    # -- measuring towards a proof -------------------------------------------------------------------------------------

    def measured(self, step: Measure, outcome: str | None, meter: Meter | None) -> list[Record]:
        """Something was measured; the voltages since isolating show whether the meter works that proves dead.

        A voltage where there should be none stands against the proof; once there is one, it takes the proof back.
        """
        if step.quantity is Quantity.VOLTAGE:
            self._tested[step.id] = meter.meter if meter is not None else None
            self.stale -= {step.id}
        there = disproved(step, outcome, self.energy, self._sources)
        self._voltages = self._voltages.after(step, outcome, self.energy, self._sources)
        return self._all(there, Energy.ISOLATED)

    def prove_anew(self) -> None:
        """A proof begins or is over: the voltages measured until now show nothing of the next one."""
        self._tested.clear()
        self.stale = frozenset()

    def begin_proof(self) -> None:
        """A proof begins from its first step: whatever was measured is measured again."""
        self.prove_anew()
        self._voltages = NOTHING_MEASURED

    # -- records -------------------------------------------------------------------------------------------------------

    def at_start(self) -> list[Record]:
        """The records of what is known of each source at the start."""
        return [self._is_now(source) for source in self.energy]

    def _all(self, sources: Iterable[str], state: Energy) -> list[Record]:
        """These sources are so now; the records of those that were not."""
        records = []
        for source in sources:
            if self.energy[source] is not state:
                self.energy[source] = state
                records.append(self._is_now(source))
        return records

    def _is_now(self, source: str) -> Record:
        known = {"source": source, "name": self._sources[source].name, "state": self.energy[source].value}
        return Record(Mark.ENERGY, known)

    def _verified_by(self, step: SpokenStep) -> list[str]:
        return [part for part, verified_by in self._replaced.items() if verified_by == step.id]


def _is_off(step: SpokenStep, off: Off) -> Record:
    more = {"count": off.count, "place": off.item.place, "orientation": off.item.orientation}
    known = {key: value for key, value in more.items() if value is not None}
    return Record(Mark.TAKEN_OFF, {"step": step.id, "item": off.name, **known})
