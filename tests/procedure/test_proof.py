"""The proof: each rule catches a procedure that breaks it, shows the shortest way there, and passes the mended one."""

from __future__ import annotations

from pathlib import Path

import pytest

from handsfree.procedure.load import loads
from handsfree.procedure.proof import Finding, Rule, advise, check, prove

HEAD = """\
procedure: example
title: Example
edition: "1"
purpose: Example
equipment: Example
local_rules: The rules of the site come first
sources:
  mains: {name: supply cord, kind: electrical}
  oil: {name: oil pressure, kind: pressure, at_start: isolated}
steps:
"""
END = "  - {id: end, kind: conclude, finding: Found, condition: sound, action: Nothing}\n"


def do(id: str, more: str = "") -> str:
    return f"  - {{id: {id}, kind: do, say: Work.{', ' if more else ''}{more}}}\n"


def measure(id: str, more: str = "") -> str:
    return (
        f"  - {{id: {id}, kind: measure, say: Measure., reading: volts, quantity: voltage, unit: volt, "
        f"waveform: ac, limit: {{at_most: 1}}{', ' if more else ''}{more}}}\n"
    )


def observe(id: str, more: str = "") -> str:
    return (
        f"  - {{id: {id}, kind: observe, say: Look., answers: {{red: [it is red], blue: [it is blue]}}"
        f"{', ' if more else ''}{more}}}\n"
    )


def choose(id: str, by: str, following: str) -> str:
    return f"  - {{id: {id}, kind: choose, by: {by}, next: {{{following}}}}}\n"


def text(*steps: str) -> str:
    return HEAD + "".join(steps) + END


def proved(*steps: str) -> tuple[Finding, ...]:
    return prove(loads(text(*steps).encode(), "f").procedure)


def only(*steps: str) -> tuple[Rule, str, str]:
    """The one finding: its rule, its step and the way there."""
    (finding,) = proved(*steps)
    assert finding.message
    assert finding.remedy
    assert f'"{finding.step}"' in finding.message
    return finding.rule, finding.step, finding.way


OFF = do("off", "isolates: [mains, oil]")
DEAD = measure("dead", "proves_dead: [mains, oil], next: {nonconforming: off}")
MAINS_DEAD = measure("dead", "proves_dead: [mains], next: {nonconforming: off}")


def test_a_procedure_that_keeps_every_rule_is_proved() -> None:
    assert (
        proved(
            OFF,
            do("cover-off", "takes_off: [cover]"),
            DEAD.replace("nonconforming: off", "nonconforming: again"),
            do("inside", "hands_inside: true"),
            do("cover-on", "puts_back: [cover]"),
            do("on", "energises: [mains]"),
            measure("try", "needs_live: [mains], next: {conforming: end, nonconforming: end}"),
            do("again", "isolates: [mains, oil], next: dead"),
        )
        == ()
    )


def test_hands_do_not_go_inside_before_every_source_is_proved_dead() -> None:
    inside = do("inside", "hands_inside: true")
    assert only(OFF, MAINS_DEAD, inside) == (
        Rule.HANDS_INSIDE,
        "inside",
        "off (done) -> dead (conforming) -> inside",
    )
    assert proved(OFF, DEAD, inside) == ()


def test_a_source_that_is_isolated_at_the_start_is_not_yet_proved_dead() -> None:
    (finding,) = proved(OFF, MAINS_DEAD, do("inside", "hands_inside: true"))
    assert finding.message == 'the step "inside" has "hands_inside" and is reached while "oil" is isolated'
    assert finding.remedy == "isolate it and prove it dead on every way to this step"


def test_a_source_that_was_energised_again_is_live() -> None:
    inside = do("inside", "hands_inside: true")
    assert (
        only(OFF, DEAD, do("on", "energises: [oil]"), inside)[2]
        == "off (done) -> dead (conforming) -> on (done) -> inside"
    )


def test_hands_do_not_go_inside_on_the_one_answer_that_skips_the_isolation() -> None:
    steps = (OFF, DEAD, do("inside", "hands_inside: true"))
    assert only(observe("ask", "next: {red: off, blue: inside}"), *steps) == (
        Rule.HANDS_INSIDE,
        "inside",
        "ask (blue) -> inside",
    )
    assert proved(observe("ask", "next: {red: off, blue: end}"), *steps) == ()


def test_a_reading_that_fails_to_prove_dead_shows_a_live_source() -> None:
    probe = "proves_dead: [mains, oil], next: {{conforming: inside, nonconforming: {}}}"
    inside = do("inside", "hands_inside: true")
    assert (
        only(OFF, measure("probe", probe.format("inside")), inside)[2]
        == "off (done) -> probe (nonconforming) -> inside"
    )
    assert proved(OFF, measure("probe", probe.format("off")), inside) == ()
    (finding,) = proved(OFF, measure("probe", probe.format("probe")), inside)
    assert (finding.rule, finding.way) == (Rule.PROVES_DEAD, "off (done) -> probe (nonconforming) -> probe")


def test_an_undecided_reading_proves_nothing() -> None:
    probe = "proves_dead: [mains, oil], next: {conforming: inside, nonconforming: off, undecided: inside}"
    assert only(OFF, measure("probe", probe), do("inside", "hands_inside: true")) == (
        Rule.HANDS_INSIDE,
        "inside",
        "off (done) -> probe (undecided) -> inside",
    )


def test_an_undecided_reading_takes_an_earlier_proof_back() -> None:
    again = "proves_dead: [mains], next: {conforming: inside, nonconforming: end, undecided: inside}"
    (finding,) = proved(OFF, DEAD, measure("again", again), do("inside", "hands_inside: true"))
    assert (finding.rule, finding.way) == (
        Rule.HANDS_INSIDE,
        "off (done) -> dead (conforming) -> again (undecided) -> inside",
    )


def test_what_needs_isolation_begins_isolated() -> None:
    step = do("work", "needs_isolated: [mains]")
    assert only(step) == (Rule.NEEDS_ISOLATED, "work", "work")
    assert proved(OFF, step) == ()


def test_what_needs_power_begins_live() -> None:
    step = measure("try", "needs_live: [mains]")
    assert only(OFF, step) == (Rule.NEEDS_LIVE, "try", "off (done) -> try")
    assert proved(step) == ()


def test_a_source_is_isolated_before_it_is_proved_dead() -> None:
    dead = measure("dead", "proves_dead: [mains, oil], next: {nonconforming: end}")
    assert only(dead) == (Rule.PROVES_DEAD, "dead", "dead")
    assert proved(OFF, dead) == ()
    assert proved(dead.replace("proves_dead", "isolates: [mains, oil], proves_dead")) == ()


def volts(id: str, more: str) -> str:
    """A voltage with a limit of its own, or none."""
    return f"  - {{id: {id}, kind: measure, say: Measure., reading: {id}, quantity: voltage, unit: volt, {more}}}\n"


LIMIT = "waveform: ac, limit: {at_most: 1}"
AFTER = volts("after", "waveform: ac, limit: {between: [207, 253]}, proves_dead: [mains], next: {nonconforming: off}")
MAINS_OFF = do("off", "isolates: [mains]")


def test_a_tester_that_works_proves_dead_what_was_measured_dead() -> None:
    probe = volts("probe", f"{LIMIT}, next: {{nonconforming: off}}")
    assert proved(MAINS_OFF, probe, AFTER) == ()
    assert only(MAINS_OFF, AFTER) == (Rule.SHOWN_DEAD, "after", "off (done) -> after")
    again = do("again", "isolates: [mains], next: after")  # and nothing is measured after isolating again
    steps = (MAINS_OFF, probe, observe("ask", "next: {red: again, blue: after}"), AFTER, do("done", "next: end"), again)
    assert only(*steps)[2] == "off (done) -> probe (conforming) -> ask (red) -> again (done) -> after"


@pytest.mark.parametrize("missing", ["next: {conforming: after}", "next: {nonconforming: off, undecided: after}"])
def test_a_voltage_that_did_not_conform_is_not_passed_over(missing: str) -> None:
    (finding,) = proved(MAINS_OFF, volts("probe", f"{LIMIT}, {missing}"), AFTER)
    outcome = "undecided" if "undecided" in missing else "nonconforming"
    assert (finding.rule, finding.way) == (Rule.PASSED_OVER, f"off (done) -> probe ({outcome}) -> after")
    assert finding.message == 'the step "after" proves "mains" dead, and "probe" did not conform on this way'


def test_another_voltage_that_conforms_does_not_make_up_for_one_that_did_not() -> None:
    probe, other = volts("probe", LIMIT), volts("other", f"{LIMIT}, next: {{nonconforming: off}}")
    assert only(MAINS_OFF, probe, other, AFTER)[::2] == (
        Rule.PASSED_OVER,
        "off (done) -> probe (nonconforming) -> other (conforming) -> after",
    )


def test_isolating_again_does_not_make_up_for_a_voltage_that_was_found() -> None:
    probe = volts("probe", f"{LIMIT}, next: {{conforming: other, nonconforming: again}}")
    again = do("again", "isolates: [mains]")
    other = volts("other", f"{LIMIT}, next: {{nonconforming: off}}")
    assert only(MAINS_OFF, probe, again, other, AFTER)[2] == (
        "off (done) -> probe (nonconforming) -> again (done) -> other (conforming) -> after"
    )


# 50 V ac and 120 V dc: extra-low voltage of IEC 60364-4-41, from memory.
@pytest.mark.parametrize(
    ("limit", "dead"),
    [
        ("limit: {at_most: 50}, waveform: ac", True),
        ("limit: {at_most: 50.1}", False),
        ("limit: {at_most: 50.1}, waveform: ac", False),
        ("limit: {at_most: 120}, waveform: dc", True),
        ("limit: {at_most: 121}, waveform: dc", False),
        ("limit: {nominal: 0, plus_minus: 1}, waveform: dc", True),
        ("limit: {between: [2, 5]}", False),
        ("limit: {at_least: 0}, waveform: dc", False),
        ("limit: {at_most: 1}, over_range: conforming", False),
        ("limit: {at_most: 1}, nameplate: true", False),
        ("limit: {at_most: 1}, needs_live: [pump]", False),
        ("plausible: [0, 1]", False),
    ],
)
def test_what_shows_that_there_is_no_voltage(limit: str, dead: bool) -> None:
    way = "" if "plausible" in limit else ", next: {nonconforming: off}"
    after = AFTER.replace("waveform: ac", "waveform: dc") if "waveform: dc" in limit else AFTER
    source = text(MAINS_OFF, volts("probe", limit + way), after)
    source = source.replace("sources:\n", "sources:\n  pump: {name: pump, kind: electrical}\n")
    findings = prove(loads(source.encode(), "f").procedure)
    assert {finding.rule for finding in findings} == (set() if dead else {Rule.SHOWN_DEAD})


BEFORE = volts("before", "waveform: ac, limit: {between: [207, 253]}, next: {nonconforming: off}")
WAVEFORM = 'write "waveform: ac", or "waveform: dc" where the source is of direct current'


def test_what_is_to_show_dead_says_whether_it_is_ac_or_dc() -> None:
    probe = volts("probe", "limit: {at_most: 1}, next: {nonconforming: off}")
    (finding,) = proved(MAINS_OFF, probe, AFTER)
    assert (finding.rule, finding.step, finding.remedy) == (Rule.WAVEFORM, "probe", WAVEFORM)
    assert finding.message == 'the step "probe" is to show that "mains" is dead, and does not say ac or dc'
    assert only(MAINS_OFF, MAINS_DEAD.replace("waveform: ac, ", ""))[:2] == (Rule.WAVEFORM, "dead")
    assert only(MAINS_OFF, probe.replace("limit", "waveform: ac, limit"), AFTER.replace("waveform: ac, ", ""))[:2] == (
        Rule.WAVEFORM,
        "after",
    )
    oil = measure("oil", "proves_dead: [oil]").replace("waveform: ac, ", "")  # of whatever kind the source is
    assert only(oil)[:2] == (Rule.WAVEFORM, "oil")
    assert proved(probe.replace("next: {nonconforming: off}", "next: end")) == ()  # nothing is isolated here


def test_a_tester_proved_on_ac_proves_nothing_dead_by_dc() -> None:
    probe = volts("probe", f"{LIMIT}, next: {{nonconforming: off}}")
    of_dc = probe.replace("waveform: ac", "waveform: dc")
    (finding,) = proved(MAINS_OFF, BEFORE, of_dc, AFTER)
    assert (finding.rule, finding.step) == (Rule.WAVEFORM, "after")
    assert finding.message == (
        'the step "after" proves "mains" dead, and on this way the voltage was measured of dc and the tester is proved '
        "on ac"
    )
    assert finding.remedy == 'write "waveform: ac" where the voltage is measured, or prove the tester on dc'
    assert proved(MAINS_OFF, BEFORE, of_dc, probe.replace("probe", "more"), AFTER) == ()  # of both
    at_once = MAINS_DEAD.replace("waveform: ac", "waveform: dc")
    assert only(MAINS_OFF, BEFORE, at_once)[:2] == (Rule.WAVEFORM, "dead")
    assert proved(MAINS_OFF, BEFORE, MAINS_DEAD) == ()
    assert proved(BEFORE, MAINS_OFF, at_once) == ()  # a supply that was measured before
    assert proved(MAINS_OFF, BEFORE.replace("waveform: ac", "waveform: dc"), at_once) == ()


@pytest.mark.parametrize("more", ["", ", limit: {at_most: 100}, next: {nonconforming: off}"])
def test_a_voltage_at_what_is_to_be_proved_dead_has_a_limit_that_says_what_is_dead(more: str) -> None:
    """230 V there, by no limit or one of 100 V, would not stand against the proof. Common practice, no source."""
    probe = volts("probe", f"{LIMIT}, next: {{nonconforming: off}}")
    finding, *others = proved(MAINS_OFF, BEFORE, probe, volts("more", f"waveform: ac{more}"), AFTER)
    assert (finding.rule, finding.step, others) == (Rule.SHOWN_DEAD, "more", [])
    assert "write limit: {at_most: 1}" in finding.remedy


def test_a_kilovolt_is_a_thousand_volts() -> None:
    probe = volts("probe", f"{LIMIT}, next: {{nonconforming: off}}").replace("unit: volt", "unit: kilovolt")
    found = [(finding.rule, finding.step) for finding in proved(MAINS_OFF, probe, AFTER)]
    assert found == [(Rule.SHOWN_DEAD, "probe"), (Rule.SHOWN_DEAD, "after")]


def test_a_voltage_at_a_source_that_was_proved_dead_takes_the_proof_back() -> None:
    probe = volts("probe", f"{LIMIT}, next: {{nonconforming: off}}")
    more = volts("more", f"{LIMIT}, next: {{conforming: end, nonconforming: oil}}")
    steps = (do("off", "isolates: [mains, oil]"), probe, AFTER, do("oil", "proves_dead: [oil]"))
    inside = do("inside", "hands_inside: true")
    assert proved(*steps, inside) == ()
    assert only(*steps, more.replace("oil}", "inside}"), inside)[2].endswith("more (nonconforming) -> inside")


def test_a_supply_that_was_bad_before_isolating_says_nothing_of_the_proof() -> None:
    supply = volts("supply", "limit: {between: [207, 253]}, next: {conforming: off, nonconforming: off}")
    assert proved(supply, MAINS_OFF, MAINS_DEAD) == ()


def test_nothing_comes_off_while_an_electrical_source_is_live() -> None:
    steps = (do("open", "takes_off: [cover]"), do("close", "puts_back: [cover]"))
    assert only(*steps) == (Rule.OPENING, "open", "open")
    assert proved(OFF, *steps) == ()
    assert proved(OFF, do("fill", "energises: [oil]"), *steps) == ()  # pressure may have to be reached to be relieved


def test_nothing_comes_off_twice() -> None:
    open_, close = do("open", "takes_off: [cover]"), do("close", "puts_back: [cover]")
    again = do("again", "takes_off: [cover]")
    assert only(OFF, open_, again, close) == (Rule.TAKES_OFF, "again", "off (done) -> open (done) -> again")
    assert proved(OFF, open_, close, again, do("close-again", "puts_back: [cover]")) == ()


def test_nothing_goes_back_that_is_not_off() -> None:
    open_ = do("open", "takes_off: [cover]")
    (missing, misnamed) = proved(OFF, open_, do("close", "puts_back: [lid]"))
    assert (misnamed.rule, misnamed.step) == (Rule.ENDS, "end")
    assert (missing.rule, missing.step, missing.way) == (
        Rule.PUTS_BACK,
        "close",
        "off (done) -> open (done) -> close",
    )
    assert proved(OFF, open_, do("close", "puts_back: [cover]")) == ()


def test_everything_is_back_on_before_a_source_is_energised() -> None:
    open_, close, on = (
        do("open", "takes_off: [cover, lead]"),
        do("close", "puts_back: [cover, lead]"),
        do("on", "energises: [mains]"),
    )
    assert only(OFF, open_, on, close) == (Rule.ENERGISES, "on", "off (done) -> open (done) -> on")
    (finding,) = proved(OFF, open_, on, close)
    assert finding.message == 'the step "on" energises while "cover", "lead" is off'
    assert proved(OFF, open_, close, on) == ()


def test_everything_is_back_on_at_every_end() -> None:
    steps = (OFF, do("open", "takes_off: [cover]"), observe("ask", "next: {red: close, blue: end}"))
    close = do("close", "puts_back: [cover]")
    assert only(*steps, close) == (Rule.ENDS, "end", "off (done) -> open (done) -> ask (blue) -> end")
    assert proved(*steps[:2], observe("ask", "next: {red: close, blue: close}"), close) == ()


def test_the_way_out_for_a_step_that_cannot_be_done_is_walked_too() -> None:
    open_, close = do("open", "takes_off: [cover]"), do("close", "puts_back: [cover]")
    assert only(OFF, open_, do("work", "unable: end"), close) == (
        Rule.ENDS,
        "end",
        "off (done) -> open (done) -> work (unable) -> end",
    )
    assert proved(OFF, open_, do("work", "unable: close"), close) == ()


def test_every_outcome_leads_somewhere() -> None:
    last = do("last")
    source = (HEAD + last).encode()
    (finding,) = prove(loads(source, "f").procedure)
    assert (finding.rule, finding.step, finding.way) == (Rule.LEADS_ON, "last", "last (done)")
    ask = observe("ask", "next: {red: end}")
    source = (HEAD + do("first", "next: ask") + END + ask).encode()
    (finding,) = prove(loads(source, "f").procedure)
    assert (finding.rule, finding.step, finding.way) == (Rule.LEADS_ON, "ask", "first (done) -> ask (blue)")


def test_a_choice_has_a_way_on_for_every_outcome_that_can_come_to_it() -> None:
    ask = observe("ask")
    assert only(ask, choose("pick", "ask", "red: end")) == (
        Rule.LEADS_ON,
        "pick",
        "ask (blue) -> pick (blue)",
    )
    assert proved(ask, choose("pick", "ask", "red: end, blue: end")) == ()
    # An undecided reading is measured again, so no choice meets it.
    assert proved(measure("volts"), choose("pick", "volts", "conforming: end, nonconforming: end")) == ()


def test_a_choice_remembers_the_last_outcome() -> None:
    steps = (
        observe("ask"),
        do("work"),
        choose("pick", "ask", "red: inside, blue: end"),
        do("inside", "hands_inside: true"),
    )
    (finding,) = proved(*steps)
    assert finding.way == "ask (red) -> work (done) -> pick (red) -> inside"


def test_a_choice_is_made_only_of_what_is_known() -> None:
    pick = choose("pick", "ask", "red: end, blue: end")
    first = observe("first", "next: {red: ask, blue: pick}")
    assert only(first, observe("ask"), pick) == (Rule.CHOICE, "pick", "first (blue) -> pick")
    assert only(observe("ask", "unable: pick"), pick) == (Rule.CHOICE, "pick", "ask (unable) -> pick")
    assert proved(observe("ask"), pick) == ()


def test_every_step_can_be_reached() -> None:
    assert only(do("first", "next: end"), do("lost")) == (Rule.REACHED, "lost", "")
    assert proved(do("first"), do("lost")) == ()


def test_no_way_goes_round_for_ever() -> None:
    first = observe("first", "next: {red: end, blue: round}")
    assert only(first, do("round"), do("and-round", "next: round")) == (
        Rule.NO_TRAP,
        "round",
        "first (blue) -> round",
    )
    assert proved(first, do("round"), do("and-round", "next: first")) == ()


def test_a_step_is_not_left_by_unable_alone() -> None:
    (finding,) = proved(do("again", "next: again, unable: end"))
    assert (finding.rule, finding.step) == (Rule.NO_TRAP, "again")
    assert finding.message == 'from the step "again" on, only "unable" leads to an end'
    round_about = (do("first", "unable: end"), do("second", "next: first"))
    assert only(*round_about)[:2] == (Rule.NO_TRAP, "first")
    assert proved(observe("look", "next: {red: look, blue: end}, unable: end")) == ()


def test_a_measurement_that_repeats_until_it_conforms_is_no_trap() -> None:
    assert proved(measure("again", "next: {nonconforming: again}")) == ()


def test_both_verdicts_may_lead_to_the_same_step() -> None:
    assert proved(measure("volts", "next: {conforming: end, nonconforming: end}")) == ()


def test_a_procedure_too_large_to_prove_is_not_called_proved() -> None:
    procedure = loads(text(*(do(f"take-{n}") for n in range(30))).encode(), "f").procedure
    assert prove(procedure) == ()
    (finding,) = prove(procedure, max_states=10)
    assert finding.rule is Rule.BOUND
    assert finding.message == "more than 10 states can be reached, so nothing is proved"


def test_a_finding_is_told_at_the_key_that_it_is_about(tmp_path: Path) -> None:
    path = tmp_path / "procedure.yaml"
    path.write_text(text(OFF, do("inside", "hands_inside: true")), encoding="utf-8")
    line = HEAD.count("\n") + 2
    column = len("  - {id: inside, kind: do, say: Work., hands_inside: ") + 1
    (problem,) = check(path)
    assert str(problem) == (
        f'{path}:{line}:{column}: the step "inside" has "hands_inside" and is reached while "mains" is isolated '
        'and "oil" is isolated (the way there: off (done) -> inside); '
        "isolate it and prove it dead on every way to this step"
    )


def test_a_file_that_does_not_load_is_checked_no_further(tmp_path: Path) -> None:
    path = tmp_path / "procedure.yaml"
    path.write_text(text(do("inside", "hands_inside: maybe")), encoding="utf-8")
    assert [problem.message for problem in check(path)] == ['"hands_inside" is "maybe"']
    assert [problem.message for problem in check(tmp_path / "none.yaml")] == ["there is no such file"]


# ASD-STE100, rule 5.1: at most 20 words in a sentence of a procedure.
@pytest.mark.parametrize(("words", "advised"), [(20, False), (21, True)])
def test_a_sentence_of_more_than_twenty_words_is_advised_against(words: int, advised: bool) -> None:
    sentence = " ".join(["word"] * words)
    loaded = loads(text(do("a").replace("Work.", f"Short. {sentence}. Short.")).encode(), "f")
    advice = [(problem.line, problem.message, problem.remedy) for problem in advise(loaded)]
    told = (HEAD.count("\n") + 1, "a sentence of 21 words is hard to follow by ear", "divide it; 20 words at most")
    assert advice == ([told] if advised else [])


def test_work_inside_opens_with_a_caution() -> None:
    inside = "hands_inside: true"
    caution = "cautions: [{signal: warning, text: Keep clear. It can hurt you.}]"
    silent = loads(text(OFF, DEAD, do("a", inside), do("b", inside)).encode(), "f")
    assert [problem.line for problem in advise(silent)] == [HEAD.count("\n") + 3]  # once, where hands go inside
    spoken = loads(text(OFF, DEAD, do("a", f"{inside}, {caution}"), do("b", inside)).encode(), "f")
    assert advise(spoken) == []


def ohms(id: str, more: str) -> str:
    return f"  - {{id: {id}, kind: measure, say: Measure., reading: ohms, quantity: resistance, unit: ohm, {more}}}\n"


LEADS = ohms("leads", "lead_zero: {worn_above: 1}, unable: end")


def test_leads_are_measured_on_every_way_to_a_step_that_takes_them_off() -> None:
    contact = ohms("contact", "minus_leads: leads, limit: {at_most: 1}")
    assert proved(LEADS, contact) == ()
    assert only(observe("ask", "next: {red: leads, blue: contact}"), LEADS, contact) == (
        Rule.LEADS,
        "contact",
        "ask (blue) -> contact",
    )
    assert only(LEADS.replace("unable: end", "unable: contact"), contact)[2] == "leads (unable) -> contact"


def advice(*steps: str, head: str = "") -> list[str]:
    source = text(*steps).replace("sources:", f"{head}sources:")
    return [f"{problem.message}; {problem.remedy}" for problem in advise(loads(source.encode(), "f"))]


ON = "next: end"  # whatever the verdict


def test_a_limit_that_nothing_comes_of_is_pointed_out() -> None:
    told = (
        'a nonconforming reading at the step "m" just goes on to the next step; add "nonconforming: a-step" to its next'
    )
    assert advice(measure("m")) == [told]
    assert advice(measure("m", "next: {conforming: end}")) == [told]
    assert advice(measure("m", ON)) == []
    assert advice(measure("m", "next: {nonconforming: end}")) == []
    chosen = choose("pick", "m", "conforming: end, nonconforming: end")
    assert advice(measure("m"), chosen) == []
    assert advice(measure("m").replace("limit: {at_most: 1}", "plausible: [0, 1]")) == []


def test_a_writer_who_chose_a_rule_is_told_where_an_undecided_reading_has_no_way_on() -> None:
    rule = "decision_rule: guarded acceptance\n"
    assert advice(measure("m", ON)) == []
    assert advice(measure("m", ON), head=rule) == [
        'a reading that stays undecided at the step "m" has no way on; add "undecided: a-step" to its next, or '
        '"unable: a-step"'
    ]
    assert advice(measure("m", "next: {nonconforming: end, undecided: end}"), head=rule) == []
    assert advice(measure("m", f"{ON}, unable: end"), head=rule) == []
    assert advice(measure("m", f"{ON}, decision_rule: simple acceptance"), head=rule) == []
    assert advice(measure("m", ON), head="decision_rule: simple acceptance\n") == []


def test_low_resistances_beside_measured_leads_are_pointed_out() -> None:
    contact = ohms("contact", f"limit: {{at_most: 1}}, {ON}")
    assert advice(contact) == []
    assert advice(LEADS, contact) == [
        '"leads" measures the leads and the step "contact" keeps them in; add "minus_leads: leads"'
    ]
    assert advice(LEADS, ohms("contact", f"limit: {{at_least: 100}}, {ON}")) == []


def test_live_steps_beside_one_that_demands_a_rating_are_pointed_out() -> None:
    rated = measure("one", "needs_live: [mains], needs_rating: {category: CAT III, volts: 600}, next: other")
    other = measure("other", f"needs_live: [mains], {ON}")
    assert advice(other) == []
    assert advice(rated, other) == [
        'the step "other" is done live with a meter of any rating; add "needs_rating: {category: CAT III, volts: 600}"'
    ]
    assert advice(rated, measure("other", ON)) == []


# -- figures and watches -----------------------------------------------------------------------------------------------

READS = "quantity: resistance, unit: ohm"


def ohms(id: str, more: str = "") -> str:
    return f"  - {{id: {id}, kind: measure, say: Measure., reading: {id}, {READS}{', ' if more else ''}{more}}}\n"


def difference(more: str = "next: {nonconforming: end}") -> str:
    figure = "figure: figure, calculate: {difference: [two, one]}, unit: ohm, limit: {between: [2, 4]}"
    return f"  - {{id: figure, kind: calculate, {figure}{', ' if more else ''}{more}}}\n"


def watch(id: str, must: str = "falls_to: 4", more: str = "") -> str:
    series = f"[{{reading: air, quantity: temperature, unit: degree_Celsius{', ' if must else ''}{must}}}]"
    return (
        f"  - {{id: {id}, kind: watch, say: Watch., every_minutes: 1, for_minutes: 9, series: {series}"
        f"{', ' if more else ''}{more}}}\n"
    )


def test_a_figure_is_proved_where_all_it_is_made_from_has_been_read() -> None:
    assert proved(ohms("one"), ohms("two"), difference()) == ()


def test_a_figure_is_not_worked_out_on_a_way_on_which_an_input_was_not_read() -> None:
    assert only(ohms("one", "unable: figure"), ohms("two"), difference()) == (
        Rule.WORKED_OUT,
        "figure",
        "one (unable) -> figure",
    )


def test_an_undecided_figure_leads_back_to_the_input_that_is_read_last() -> None:
    procedure = loads(text(ohms("one"), ohms("two"), difference()).encode(), "f").procedure
    assert procedure.target("figure", "undecided") == "two"
    assert procedure.target("figure", "nonconforming") == "end"
    assert procedure.target("figure", "conforming") == "end"
    elsewhere = loads(text(ohms("one"), ohms("two"), difference("next: {undecided: one}")).encode(), "f").procedure
    assert elsewhere.target("figure", "undecided") == "one"


def test_a_watch_that_does_not_conform_proves_nothing_dead() -> None:
    steps = (OFF, MAINS_DEAD)
    proving = watch("cold", more="proves_dead: [oil], next: {nonconforming: inside}")
    rule, step, way = only(*steps, proving, do("inside", "hands_inside: true"))
    assert (rule, step) == (Rule.HANDS_INSIDE, "inside")
    assert way.endswith("cold (nonconforming) -> inside")


def test_a_watch_and_a_figure_may_be_chosen_by() -> None:
    steps = (watch("cold", more="next: {nonconforming: ask}"), choose("ask", "cold", "conforming: end"))
    rule, step, _ = only(*steps)
    assert (rule, step) == (Rule.LEADS_ON, "ask")
    assert proved(steps[0], choose("ask", "cold", "conforming: end, nonconforming: end")) == ()


def test_an_undecided_watch_is_watched_again() -> None:
    procedure = loads(text(watch("cold")).encode(), "f").procedure
    assert procedure.target("cold", "undecided") == "cold"
