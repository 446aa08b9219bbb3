"""The proof that no way through a procedure leads to harm or to nowhere.

The one rule: walk every reachable state, a state being all that matters for what may come next: the step, each energy
source's state, what is off the machine, and the outcomes that a later ``choose`` asks for. Breadth first, so the way
that is shown for a finding is the shortest there is.

The order of safe work is that of 29 CFR 1910.147(d) and 1910.333(b)(2) and of NFPA 70E 120.5: isolate, release what is
stored, prove dead, only then touch. From the trade (common practice, no source):

- Covers and parts come off only when every electrical source is isolated. Other sources may have to be reached before
  they can be released (a capacitor sits behind its cover); steps say so themselves with ``needs_isolated``.
- A reading that fails to prove a source dead shows that it is live, whatever was done to isolate it; an undecided one
  takes an earlier proof back.
- An electrical source is proved dead by a voltage measured since it was isolated, by a limit that counts as dead
  (``dead``), of the waveform that the tester is proved on: what one function of a meter shows says nothing of the
  other. A voltage that did not conform is measured again, and conforms, before anything is proved.
- Everything is back on before any source is energised, and before the procedure ends.
- A source that was isolated at the start still has to be proved dead.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TypeGuard

from handsfree.procedure.dead import (
    HIGHEST,
    NOTHING_MEASURED,
    Energy,
    Voltages,
    disproved,
    is_voltage,
    measured_at,
    proves_tester,
    shows_dead,
)
from handsfree.procedure.document import PathInFile, Problem, ProcedureError
from handsfree.procedure.load import Loaded, load
from handsfree.procedure.model import (
    AtLeast,
    AtMost,
    Between,
    Calculate,
    Choose,
    Conclude,
    DecisionRule,
    Do,
    Limit,
    Measure,
    Nominal,
    Procedure,
    SpokenStep,
    Step,
    Verdict,
    Watch,
    inputs,
)
from handsfree.procedure.sense import outcomes_of
from handsfree.spoken.units import WITH_WAVEFORM

MAX_STATES = 200_000
READ = "read"  # the outcome of a reading that is not judged
MAX_WORDS = 20  # in an instruction's sentence: ASD-STE100, rule 5.1


class Rule(StrEnum):
    """What the proof proves."""

    HANDS_INSIDE = "hands inside only where every source is proved dead"
    NEEDS_ISOLATED = "sources are isolated where a step needs them to be"
    NEEDS_LIVE = "sources are live where a step needs them to be"
    PROVES_DEAD = "sources are isolated before they are proved dead"
    SHOWN_DEAD = "no voltage was found at an electrical source before it is proved dead"
    WAVEFORM = "a voltage that is to show dead is one of ac or dc, as the tester was proved on"
    PASSED_OVER = "a voltage that did not conform is measured again before anything is proved dead"
    OPENING = "nothing comes off while an electrical source is live"
    TAKES_OFF = "nothing comes off twice"
    PUTS_BACK = "nothing goes back that is not off"
    ENERGISES = "everything is back on before a source is energised"
    ENDS = "everything is back on at the end"
    REVERSE = "what came off last goes back first"
    WAITS = "a timer is started before it is waited for"
    VERIFIED = "a part that was replaced is verified before the equipment is found to be sound"
    LEADS_ON = "every outcome leads somewhere"
    CHOICE = "a choice is made only of what is known"
    WORKED_OUT = "a figure is worked out only of what was read"
    LEADS = "leads are measured before they are taken off"
    REACHED = "every step can be reached"
    NO_TRAP = "an end can be reached from everywhere"
    BOUND = "the procedure is small enough to prove"


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule that does not hold.

    ``path`` is the shortest way there: each step with the outcome that leads on, the last with None. ``key`` is the
    key of the step that the finding is about, None for the whole step.
    """

    rule: Rule
    step: str
    message: str
    remedy: str
    path: tuple[tuple[str, str | None], ...] = ()
    key: str | None = None

    @property
    def way(self) -> str:
        """The path in one line."""
        return " -> ".join(f"{step} ({outcome})" if outcome else step for step, outcome in self.path)


@dataclass(frozen=True, slots=True)
class _State:
    step: str
    energy: tuple[Energy, ...]
    layers: tuple[frozenset[str], ...]  # what is off, by the steps that took it off, the first of them first
    known: tuple[str | None, ...]  # outcomes of the steps that later ones ask for, in their order in _World.asked
    timers: frozenset[str] = frozenset()  # started, of those that a step waits for
    unverified: frozenset[str] = frozenset()  # steps that are to verify a part that was replaced
    voltages: Voltages = NOTHING_MEASURED

    @property
    def off(self) -> frozenset[str]:
        return frozenset().union(*self.layers)


class _World:
    """A procedure with what the walk needs at every state."""

    def __init__(self, procedure: Procedure) -> None:
        self.procedure = procedure
        self.steps: Mapping[str, Step] = {step.id: step for step in procedure.steps}
        self.sources = tuple(procedure.sources)
        self.chosen_by = {step.by for step in procedure.steps if isinstance(step, Choose)}
        self.waited_for = {
            timer for step in procedure.steps if isinstance(step, SpokenStep) for timer in step.waits_for
        }
        self.asked = tuple(dict.fromkeys(asked for step in procedure.steps for asked in _asks_for(step)))

    def start(self) -> _State:
        energy = tuple(Energy(source.at_start) for source in self.procedure.sources.values())
        return _State(self.procedure.steps[0].id, energy, (), (None,) * len(self.asked))

    def energy(self, state: _State) -> Mapping[str, Energy]:
        return dict(zip(self.sources, state.energy, strict=True))

    def moves(self, state: _State) -> Iterator[tuple[str, _State | None]]:
        """Each outcome that is possible here with the state after it, None where it leads nowhere."""
        step = self.steps[state.step]
        if isinstance(step, Conclude):
            return
        if isinstance(step, Choose):
            outcome = state.known[self.asked.index(step.by)]
            if outcome is not None:
                yield outcome, self._go(state, self.procedure.target(step.id, outcome))
            return
        if isinstance(step, Calculate):
            for verdict in outcomes_of(step) or (None,):
                after = self._remember(state, step, verdict or READ)
                yield verdict or "worked out", self._go(after, self.procedure.target(step.id, verdict))
            return
        for outcome in outcomes_of(step) or (None,):
            named = outcome or (READ if isinstance(step, Measure | Watch) else "done")
            after = self._remember(self._complete(state, step, outcome), step, named)
            yield named, self._go(after, self.procedure.target(step.id, outcome))
        if step.unable is not None:
            yield "unable", self._go(self._remember(state, step, None), step.unable)

    def _go(self, state: _State, target: str | None) -> _State | None:
        return None if target is None else replace(state, step=target)

    def _remember(self, state: _State, step: Step, outcome: str | None) -> _State:
        if step.id not in self.asked:
            return state
        if outcome is not None and step.id not in self.chosen_by:
            outcome = READ  # how it was judged matters to nobody: fewer states to walk
        place = self.asked.index(step.id)
        return replace(state, known=(*state.known[:place], outcome, *state.known[place + 1 :]))

    def _complete(self, state: _State, step: SpokenStep, outcome: str | None) -> _State:
        """What the step changes; a step that is judged changes nothing but by conforming, timers apart."""
        energy = dict(self.energy(state))
        started = frozenset(timer.timer for timer in step.starts) & self.waited_for
        voltages = state.voltages
        if isinstance(step, Measure):
            sources = self.procedure.sources
            voltages = voltages.after(step, outcome, energy, sources)
            energy |= dict.fromkeys(disproved(step, outcome, energy, sources), Energy.ISOLATED)
        state = replace(state, timers=state.timers | started, voltages=voltages)
        if isinstance(step, Measure | Watch) and outcome not in (None, Verdict.CONFORMING):
            for source in step.proves_dead:
                if outcome == Verdict.NONCONFORMING:
                    energy[source] = Energy.LIVE
                elif energy[source] is Energy.PROVED_DEAD:
                    energy[source] = Energy.ISOLATED
            return replace(state, energy=tuple(energy.values()))
        energy |= {source: Energy.ISOLATED for source in step.isolates if energy[source] is Energy.LIVE}
        voltages = voltages.isolated(step.isolates).energised(step.energises)
        energy |= dict.fromkeys(step.proves_dead, Energy.PROVED_DEAD)
        energy |= dict.fromkeys(step.energises, Energy.LIVE)
        left = [layer - set(step.puts_back) for layer in state.layers]
        layers = tuple(layer for layer in (*left, frozenset(step.off_here) - state.off) if layer)
        unverified = state.unverified - {step.id}
        if isinstance(step, Do) and step.replaces is not None:
            unverified |= {step.replaces.verified_by}
        return replace(state, energy=tuple(energy.values()), layers=layers, unverified=unverified, voltages=voltages)


def _asks_for(step: Step) -> tuple[str, ...]:
    """The steps whose outcome, or reading, this one goes by."""
    if isinstance(step, Choose):
        return (step.by,)
    if isinstance(step, Calculate):
        return inputs(step.calculate)
    return (step.minus_leads,) if isinstance(step, Measure) and step.minus_leads is not None else ()


def prove(procedure: Procedure, *, max_states: int = MAX_STATES) -> tuple[Finding, ...]:
    """Walk every state and give what does not hold, in the order of the steps; nothing where all is proved.

    A finding does not stop the walk: what comes after a broken rule is examined as if it had been let through. Each
    rule is reported once a step (a lost outcome once each), by the shortest way. More than ``max_states`` states end
    the walk with the one finding that nothing is proved. The procedure must have come through ``load``.
    """
    world = _World(procedure)
    start = world.start()
    came_from: dict[_State, tuple[_State, str] | None] = {start: None}
    leads_to: dict[_State, list[_State]] = {}
    given_up: set[tuple[_State, _State]] = set()  # where only UNABLE leads on
    findings: dict[tuple[Rule, str, str | None], Finding] = {}
    ends: set[_State] = set()  # conclusions, and dead ends, which are findings of their own

    def report(state: _State, finding: Finding, outcome: str | None = None) -> None:
        if (finding.rule, finding.step, outcome) not in findings:
            way = replace(finding, path=_way(came_from, state, outcome))
            findings[finding.rule, finding.step, outcome] = way

    queue = deque([start])
    while queue:
        state = queue.popleft()
        for finding in _on_entry(world, state):
            report(state, finding)
        leads_to[state] = []
        moves = list(world.moves(state))
        if not all(after for _, after in moves) or not moves:
            ends.add(state)
        for outcome, after in moves:
            if after is None:
                report(state, _nowhere(world.steps[state.step], outcome), outcome)
                continue
            leads_to[state].append(after)
            if outcome == "unable" and after not in [other for name, other in moves if name != "unable"]:
                given_up.add((state, after))
            if after not in came_from:
                came_from[after] = (state, outcome)
                queue.append(after)
        if len(came_from) > max_states:
            message = f"more than {max_states} states can be reached, so nothing is proved"
            return (Finding(Rule.BOUND, procedure.steps[0].id, message, "divide the procedure"),)

    reached = {state.step for state in leads_to}
    for step in procedure.steps:
        if step.id not in reached:
            message = f'no way leads to the step "{step.id}"'
            findings[Rule.REACHED, step.id, None] = Finding(Rule.REACHED, step.id, message, "lead to it, or remove it")
    trapped = _trapped(leads_to, ends)
    if trapped is not None:
        message = f'from the step "{trapped.step}" on, no end can be reached'
        report(trapped, Finding(Rule.NO_TRAP, trapped.step, message, "lead one outcome to a conclude step"))
    else:
        carried_out = {
            state: [after for after in following if (state, after) not in given_up]
            for state, following in leads_to.items()
        }
        trapped = _trapped(carried_out, ends)
        if trapped is not None:
            message = f'from the step "{trapped.step}" on, only "unable" leads to an end'
            remedy = "lead one outcome to a conclude step"
            report(trapped, Finding(Rule.NO_TRAP, trapped.step, message, remedy))
    order = {step.id: number for number, step in enumerate(procedure.steps)}
    return tuple(sorted(findings.values(), key=lambda finding: order[finding.step]))


def _way(
    came_from: Mapping[_State, tuple[_State, str] | None], state: _State, outcome: str | None
) -> tuple[tuple[str, str | None], ...]:
    path: list[tuple[str, str | None]] = [(state.step, outcome)]
    while (before := came_from[state]) is not None:
        state = before[0]
        path.append((state.step, before[1]))
    return tuple(reversed(path))


def _trapped(leads_to: Mapping[_State, list[_State]], ends: set[_State]) -> _State | None:
    """The first state, by the length of the way to it, from which no end can be reached."""
    before: dict[_State, list[_State]] = {}
    for state, following in leads_to.items():
        for after in following:
            before.setdefault(after, []).append(state)
    ending = set(ends)
    queue = deque(ending)
    while queue:
        for state in before.get(queue.popleft(), ()):
            if state not in ending:
                ending.add(state)
                queue.append(state)
    return next((state for state in leads_to if state not in ending), None)


def _nowhere(step: Step, outcome: str) -> Finding:
    if isinstance(step, Choose):
        message = f'the step "{step.id}" has no way on for the outcome "{outcome}" of "{step.by}"'
        return Finding(Rule.LEADS_ON, step.id, message, f'add "{outcome}: a-step" to its next', key="next")
    message = f'the outcome "{outcome}" of the step "{step.id}" leads nowhere'
    return Finding(Rule.LEADS_ON, step.id, message, 'add "next", or end with a conclude step')


def _listed(items: frozenset[str]) -> str:
    return ", ".join(f'"{item}"' for item in sorted(items))


def _on_entry(world: _World, state: _State) -> Iterator[Finding]:
    """The rules that a state breaks by being reached."""
    step = world.steps[state.step]
    if isinstance(step, Conclude):
        if state.off:
            message = f'the step "{step.id}" ends while {_listed(state.off)} is off'
            yield Finding(Rule.ENDS, step.id, message, "lead through the steps that put it back")
        if state.unverified and step.condition == "sound":
            message = f'the step "{step.id}" finds the equipment sound, and {_listed(state.unverified)} was not passed'
            yield Finding(Rule.VERIFIED, step.id, message, "lead through it after the part is replaced")
        return
    if isinstance(step, Choose):
        if state.known[world.asked.index(step.by)] is None:
            message = f'the step "{step.id}" chooses by "{step.by}", which has no outcome on this way'
            yield Finding(Rule.CHOICE, step.id, message, "lead here only by ways that pass it", key="by")
        return
    if isinstance(step, Calculate):
        for name in inputs(step.calculate):
            if state.known[world.asked.index(name)] is None:
                message = f'the step "{step.id}" works with "{name}", which has not been read on this way'
                yield Finding(Rule.WORKED_OUT, step.id, message, "lead here only by ways that pass it", key="calculate")
        return
    yield from _energy(world, state, step)
    yield from _dead(world, state, step)
    if isinstance(step, Measure) and step.minus_leads and state.known[world.asked.index(step.minus_leads)] is None:
        message = f'the step "{step.id}" takes off the leads, and "{step.minus_leads}" did not measure them on this way'
        yield Finding(Rule.LEADS, step.id, message, "lead here only by ways that pass it", key="minus_leads")
    for timer in step.waits_for:
        if timer not in state.timers:
            message = f'the step "{step.id}" waits for "{timer}", which was not started on this way'
            yield Finding(Rule.WAITS, step.id, message, "start it in a step before", key="waits_for")
    for item in step.off_here:
        if item in state.off:
            message = f'the step "{step.id}" takes off "{item}", which is off'
            yield Finding(
                Rule.TAKES_OFF, step.id, message, "put it back before, or lead past this step", key="takes_off"
            )
    for item in step.puts_back:
        if item not in state.off:
            message = f'the step "{step.id}" puts back "{item}", which is not off'
            remedy = "name it as in takes_off, or lead past this step"
            yield Finding(Rule.PUTS_BACK, step.id, message, remedy, key="puts_back")
    yield from _reverse(state, step)
    left = state.off - set(step.puts_back)
    if step.energises and left:
        message = f'the step "{step.id}" energises while {_listed(left)} is off'
        yield Finding(Rule.ENERGISES, step.id, message, "put it back before this step", key="energises")


def _reverse(state: _State, step: SpokenStep) -> Iterator[Finding]:
    """What goes back while something is off that came off after it; what one step took off has no order."""
    back = set(step.puts_back) & state.off
    touched = [number for number, layer in enumerate(state.layers) if layer & back]
    if not touched or step.any_order:
        return
    over = frozenset().union(*state.layers[touched[0] + 1 :]) - back
    if over:
        message = f'the step "{step.id}" puts back {_listed(frozenset(back))} while {_listed(over)} is off'
        remedy = 'put back first what came off last; or write "any_order: true" where it does not matter'
        yield Finding(Rule.REVERSE, step.id, message, remedy, key="puts_back")


def _energy(world: _World, state: _State, step: SpokenStep) -> Iterator[Finding]:
    """The rules of energy that a step breaks by being begun in this state."""
    energy = world.energy(state)
    live = [source for source in world.sources if energy[source] is Energy.LIVE]
    not_dead = [source for source in world.sources if energy[source] is not Energy.PROVED_DEAD]
    electrical = [source for source in live if world.procedure.sources[source].kind == "electrical"]
    broken = (
        (Rule.HANDS_INSIDE, "hands_inside", not_dead if step.hands_inside else [], "isolate it and prove it dead"),
        (Rule.NEEDS_ISOLATED, "needs_isolated", [s for s in live if s in step.needs_isolated], "isolate it"),
        (
            Rule.NEEDS_LIVE,
            "needs_live",
            [source for source in step.needs_live if energy[source] is not Energy.LIVE],
            "energise it",
        ),
        (
            Rule.PROVES_DEAD,
            "proves_dead",
            [source for source in live if source in step.proves_dead and source not in step.isolates],
            "isolate it",
        ),
        (Rule.OPENING, "takes_off", electrical if step.takes_off else [], "isolate it"),
    )
    for rule, key, sources, remedy in broken:
        if sources:
            states = " and ".join(f'"{source}" is {energy[source]}' for source in sources)
            message = f'the step "{step.id}" has "{key}" and is reached while {states}'
            yield Finding(rule, step.id, message, f"{remedy} on every way to this step", key=key)


def _dead(world: _World, state: _State, step: SpokenStep) -> Iterator[Finding]:
    """What the voltages measured on this way leave to be desired where an electrical source is to be proved dead."""
    energy = world.energy(state)
    if is_voltage(step):
        isolated = [
            name for name in measured_at(step, energy, world.procedure.sources) if energy[name] is Energy.ISOLATED
        ]
        dead = step.proves_dead or (isolated if shows_dead(step) else [])
        if dead and step.waveform is None:
            named = _listed(frozenset(dead))
            message = f'the step "{step.id}" is to show that {named} is dead, and does not say ac or dc'
            remedy = 'write "waveform: ac", or "waveform: dc" where the source is of direct current'
            yield Finding(Rule.WAVEFORM, step.id, message, remedy, key="quantity")
        if isolated and not dead and not proves_tester(step):
            message = (
                f'the step "{step.id}" measures a voltage while {_listed(frozenset(isolated))} is isolated and not '
                "proved dead, and no limit of its says what is dead"
            )
            remedy = "write limit: {at_most: 1}, or limit: {at_least: ...} where the tester is proved on a live source"
            yield Finding(Rule.SHOWN_DEAD, step.id, message, remedy, key="quantity")
    for source in step.proves_dead:
        if world.procedure.sources[source].kind != "electrical":
            continue
        failed = state.voltages.against(step, source)
        if failed:
            message = (
                f'the step "{step.id}" proves "{source}" dead, and {_listed(frozenset(failed))} did not conform on '
                "this way"
            )
            remedy = "lead whatever is not conforming there to isolating again and measuring again, by its next"
            yield Finding(Rule.PASSED_OVER, step.id, message, remedy, key="proves_dead")
            continue
        # A voltage that does not show dead itself is that of the known live source, which proves the tester again.
        own = {step.waveform} if isinstance(step, Measure) else set()
        shown = state.voltages.shown_dead(step, source)
        tester = {waveform for name, waveform in state.voltages.tested if name == source} if shows_dead(step) else own
        if not shown:
            message = (
                f'the step "{step.id}" proves "{source}" dead, and on this way no measurement since it was isolated '
                "shows that it is"
            )
            utmost = " and ".join(f"{volts} V {waveform}" for waveform, volts in HIGHEST.items())
            remedy = f"before it, measure the voltage by limit: {{at_most: 1}}; the utmost is {utmost}"
            yield Finding(Rule.SHOWN_DEAD, step.id, message, remedy, key="proves_dead")
        elif tester and None not in shown | tester and shown.isdisjoint(tester):
            (of,), (proved,) = shown, tester
            message = (
                f'the step "{step.id}" proves "{source}" dead, and on this way the voltage was measured of {of} and '
                f"the tester is proved on {proved}"
            )
            remedy = f'write "waveform: {proved}" where the voltage is measured, or prove the tester on {of}'
            yield Finding(Rule.WAVEFORM, step.id, message, remedy, key="proves_dead")


def check(path: Path) -> list[Problem]:
    """All that is wrong with a procedure's file: what ``load`` finds, or else what ``prove`` does. Empty when clean."""
    try:
        loaded = load(path)
    except ProcedureError as error:
        return list(error.problems)
    return sorted(_located(loaded, path, finding) for finding in prove(loaded.procedure))


def advise(loaded: Loaded) -> list[Problem]:
    """What could be written better, after ASD-STE100: long sentences (rule 5.1), work inside without a caution.

    Limits that nothing comes of, and what a meter's uncertainty would run into: readings that stay undecided, leads
    that are measured and not taken off, live steps for any meter among others that demand a rating. Advice, not errors:
    the procedure is safe to run as it is.
    """
    name = loaded.document.name
    steps = loaded.procedure.steps
    advice = []
    for number, step in enumerate(steps):
        for path, text in _spoken(("steps", number), step):
            longest = max((len(sentence.split()) for sentence in re.split(r"(?<=[.!?])\s+", text)), default=0)
            if longest > MAX_WORDS:
                message = f"a sentence of {longest} words is hard to follow by ear"
                advice.append(Problem(name, *loaded.place(path), message, f"divide it; {MAX_WORDS} words at most"))
        before = next((one for one in reversed(steps[:number]) if not isinstance(one, Choose | Calculate)), None)
        if _inside(step) and not step.cautions and not (before and _inside(before)):
            message = f'hands go inside at the step "{step.id}" and no caution is spoken'
            remedy = "add a caution that opens with the command and names the risk"
            advice.append(Problem(name, *loaded.place(("steps", number)), message, remedy))
        if isinstance(step, Measure):
            if _goes_on(loaded.procedure, step):
                message = f'a nonconforming reading at the step "{step.id}" just goes on to the next step'
                remedy = 'add "nonconforming: a-step" to its next'
                advice.append(Problem(name, *loaded.place(("steps", number)), message, remedy))
            advice += [
                Problem(name, *loaded.place(("steps", number)), message, remedy)
                for message, remedy in _metering(loaded.procedure, step, "decision_rule" in loaded.document.data)
            ]
    return sorted(advice)


def _goes_on(procedure: Procedure, step: Measure) -> bool:
    """Whether nothing comes of a nonconforming reading: no way of its own, and no later step that asks for it."""
    if step.limit is None or any(isinstance(other, Choose) and other.by == step.id for other in procedure.steps):
        return False
    return step.next is None or (isinstance(step.next, dict) and Verdict.NONCONFORMING not in step.next)


LOW_OHMS = 10  # leads of half an ohm are a twentieth of this


def _metering(procedure: Procedure, step: Measure, rule_chosen: bool) -> Iterator[tuple[str, str]]:
    """Advice on a step, as message and remedy, in the light of what the rest of the procedure takes care of."""
    rule, _ = procedure.rule_of(step)
    decided = rule is DecisionRule.SIMPLE_ACCEPTANCE or not (rule_chosen or step.decision_rule)
    ways_on = step.unable is not None or (isinstance(step.next, dict) and Verdict.UNDECIDED in step.next)
    if step.limit is not None and not decided and not ways_on:
        message = f'a reading that stays undecided at the step "{step.id}" has no way on'
        yield message, 'add "undecided: a-step" to its next, or "unable: a-step"'
    others = [other for other in procedure.steps if isinstance(other, Measure) and other is not step]
    zero = next((other.id for other in others if other.lead_zero is not None), None)
    if zero is not None and step.limit is not None and step.unit == "ohm" and step.minus_leads is None:
        figures = [abs(figure) for figure in _figures(step.limit)]
        if figures and min(figures) <= LOW_OHMS:
            yield f'"{zero}" measures the leads and the step "{step.id}" keeps them in', f'add "minus_leads: {zero}"'
    electrical = any(procedure.sources[source].kind == "electrical" for source in step.needs_live)
    if electrical and step.quantity in WITH_WAVEFORM and step.needs_rating is None:
        rated = next((other.needs_rating for other in others if other.needs_rating is not None), None)
        if rated is not None:
            message = f'the step "{step.id}" is done live with a meter of any rating'
            yield message, f'add "needs_rating: {{category: CAT {rated.category}, volts: {rated.volts}}}"'


def _figures(limit: Limit) -> Iterator[Decimal]:
    match limit:
        case AtMost(at_most=figure) | AtLeast(at_least=figure) | Nominal(nominal=figure):
            yield figure
        case Between(between=(low, high)):
            yield from (low, high)


def _inside(step: Step) -> TypeGuard[SpokenStep]:
    return isinstance(step, SpokenStep) and step.hands_inside


def _spoken(at: PathInFile, step: Step) -> Iterator[tuple[PathInFile, str]]:
    if isinstance(step, Choose | Calculate):
        return
    for number, caution in enumerate(step.cautions):
        yield (*at, "cautions", number, "text"), caution.text
    for key in ("finding", "action") if isinstance(step, Conclude) else ("say",):
        yield (*at, key), getattr(step, key)


def _located(loaded: Loaded, path: Path, finding: Finding) -> Problem:
    steps = [step.id for step in loaded.procedure.steps]
    at: PathInFile = ("steps", steps.index(finding.step))
    line, column = loaded.place((*at, finding.key) if finding.key else at)
    way = f" (the way there: {finding.way})" if finding.path else ""
    return Problem(str(path), line, column, finding.message + way, finding.remedy)
