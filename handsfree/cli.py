"""The commands. The one rule: they parse arguments, call a room and print; nothing is decided here.

Exit codes: 0 all is well; 1 something was refused, not concluded or does not hold; 2 the input cannot be used (a file,
a folder, an option); 3 (``hear``) heard, but the audio had to be converted; 130 interrupted.
"""

from __future__ import annotations

import argparse
import io
import json
import queue
import re
import shlex
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from handsfree import __version__
from handsfree import settings as everyday
from handsfree.errors import PlainError
from handsfree.settings import Settings
from handsfree.spoken.meaning import Expectation, Quantity, Reading

if TYPE_CHECKING:  # engines and pint take long to import: each command imports what it needs
    from rich.console import Console

    from handsfree.console import Screen
    from handsfree.glance.server import Glance
    from handsfree.judge.meter import Meter
    from handsfree.procedure.document import Problem
    from handsfree.procedure.load import Loaded
    from handsfree.procedure.model import Procedure
    from handsfree.procedure.visit import Job
    from handsfree.session.doubt import Policy
    from handsfree.session.events import Act, Event, Reopened, Started
    from handsfree.sound.ear import Hearing
    from handsfree.sound.enrolment import Findings, Speaker
    from handsfree.sound.loop import Conversation, Watch
    from handsfree.sound.protocol import Recogniser
    from handsfree.sound.voice import Voice

OK, REFUSED, UNUSABLE, CONVERTED, INTERRUPTED = 0, 1, 2, 3, 130


class UnusableError(PlainError):
    """What was named on the command line cannot be used."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code; bad input is told in a sentence on standard error."""
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal's own code page may lack the signs that are printed
            stream.reconfigure(encoding="utf-8", errors="replace")
    _end_as_if_interrupted()
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()  # whoever read the output has gone; nothing is left to say
        return OK
    except PlainError as error:
        print(error, file=sys.stderr)
        return UNUSABLE
    except OSError as error:
        print(f"cannot go on reading or writing: {error}; make room or choose another place", file=sys.stderr)
        return UNUSABLE


def _end_as_if_interrupted() -> None:
    """Whoever closes the terminal, or shuts the computer down, has the record closed as well."""
    if threading.current_thread() is threading.main_thread():
        for number in (getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)):
            if signal.getsignal(number) is signal.SIG_DFL:  # nohup has it ignored
                signal.signal(number, signal.default_int_handler)


# -- demo ------------------------------------------------------------------------------------------------------------


def _demo(options: argparse.Namespace) -> int:
    from handsfree.console import Screen, summary
    from handsfree.judge.meterfile import load_meters
    from handsfree.procedure.load import load
    from handsfree.review.report import write_report
    from handsfree.sound.audio import read
    from handsfree.sound.loop import begin, from_recording
    from handsfree.sound.voice import choose_voice

    sessions = _demo_sessions()
    names = options.session or [name for name, demo in sessions.items() if not demo.by_name_only]
    if unknown := [name for name in names if name not in sessions]:
        raise UnusableError(f"no demo session {unknown[0]!r}: choose from {', '.join(sessions)}")
    base = options.out or Path(tempfile.mkdtemp(prefix="handsfree-demo-"))
    screen, settings = Screen(), _settings(options)
    rows, as_expected, started, recorded = [], True, time.monotonic(), 0.0
    with _glance(settings, screen.console) as glance, _recogniser(settings) as recogniser:
        for name in names:
            demo = sessions[name]
            audio, _ = read(demo.audio)
            recorded += audio.seconds
            screen.console.rule(f"{name}: {demo.about}")
            voice, remark = choose_voice(options.voice, base / name / "prompts")
            if remark:
                print(remark, file=sys.stderr)
            loaded = load(demo.procedure)
            watch = _watch(screen, glance, loaded.procedure)
            meters = load_meters(demo.meters)
            conversation, opened = begin(
                loaded, base / name, voice, watch, recogniser, source=demo.audio.name, meters=meters
            )
            from_recording(conversation, audio, _recorded(opened))
            conversation.close()
            finding = conversation.session.finding or "no finding"
            as_expected &= finding == demo.finding
            report = write_report(base / name, None)
            rows.append((name, finding, str(conversation.session.standing), str(report)))
    screen.console.print(summary(rows))
    took = time.monotonic() - started
    screen.console.print(f"{recorded:.0f} s of recorded speech in {took:.0f} s.")
    return OK if as_expected else REFUSED


@dataclass(frozen=True, slots=True)
class _DemoSession:
    about: str
    audio: Path
    procedure: Path
    meters: tuple[Path, ...]
    finding: str
    by_name_only: bool  # minutes long


def _demo_sessions() -> dict[str, _DemoSession]:
    folder = _shipped("demo_sessions")
    listing = json.loads((folder / "sessions.json").read_text(encoding="utf-8"))
    return {
        entry["name"]: _DemoSession(
            entry["about"],
            folder / entry["audio"],
            _shipped("procedures") / entry["procedure"],
            tuple(_shipped("meters") / meter for meter in entry.get("meters", ())),
            entry["finding"],
            entry.get("by_name_only", False),
        )
        for entry in listing
    }


def _shipped(name: str) -> Path:
    """A folder that comes with the program: inside the installed package, or beside it in a checkout."""
    here = Path(__file__).resolve().parent
    for folder in (here / name, here.parent / name):
        if folder.is_dir():
            return folder
    raise UnusableError(f"the folder {name} is missing from this installation: install handsfree again")


# -- run and resume --------------------------------------------------------------------------------------------------

Ready = Callable[["Voice", "Watch", "Recogniser | None", str], "tuple[Conversation, Started | Reopened]"]


def _run(options: argparse.Namespace) -> int:
    from handsfree.procedure.model import OPENING
    from handsfree.procedure.visit import visit
    from handsfree.session.doubt import Policy
    from handsfree.sound.loop import begin

    settings = _settings(options)
    path = _procedure(options.procedure)
    problems, loaded = _checked(path)
    if problems or loaded is None:
        for problem in problems:
            print(problem, file=sys.stderr)
        raise UnusableError("the procedure is not run before all of this is put right")
    job = _job(options)
    meters = _meters(options, job)
    usual = {} if settings.technician is None else {"technician": settings.technician}
    options_given: dict[str, str] = {
        name: getattr(options, name) for name in OPENING if getattr(options, name) is not None
    }
    known = visit(loaded.procedure, {**usual, **job.known, **options_given})
    folder, policy = options.out or _new_folder(loaded), Policy(doubt=settings.confirm_below)

    def ready(
        voice: Voice, watch: Watch, recogniser: Recogniser | None, source: str
    ) -> tuple[Conversation, Started | Reopened]:
        return begin(loaded, folder, voice, watch, recogniser, source=source, meters=meters, policy=policy, visit=known)

    return _hold(options, settings, folder, loaded.procedure, ready)


def _resume(options: argparse.Namespace) -> int:
    from handsfree.procedure.visit import visit
    from handsfree.session.resume import resume
    from handsfree.session.spelled import identified_by
    from handsfree.sound.loop import go_on

    settings = _settings(options)
    resumed = resume(options.session)
    with closing(resumed.journal):
        procedure, happened = resumed.rebuilt.session.procedure, resumed.rebuilt.happened
        given = {} if settings.technician is None else {"technician": settings.technician}
        before = identified_by(act for _, acts in happened for act in acts)
        known = {what: value for what, value in visit(procedure, given).items() if before.get(what) != value}

        def ready(
            voice: Voice, watch: Watch, recogniser: Recogniser | None, source: str
        ) -> tuple[Conversation, Started | Reopened]:
            return go_on(resumed, voice, watch, recogniser, source=source, visit=known)

        return _hold(options, settings, options.session, procedure, ready, happened)


def _hold(
    options: argparse.Namespace,
    settings: Settings,
    folder: Path,
    procedure: Procedure,
    ready: Ready,
    happened: Sequence[tuple[Event, Sequence[Act]]] = (),
) -> int:
    """Holds a session that ``ready`` gives, typed, from a recording or live; ``happened`` is what went before."""
    from handsfree.console import Screen
    from handsfree.sound.loop import from_microphone, from_recording, from_text

    screen, speaker = Screen(), _speaker(settings)
    with _told_where(folder, screen.console, ready) as ready, _glance(settings, screen.console) as glance:
        watch = _watch(screen, glance, procedure)
        if glance is not None:
            for event, acts in happened:
                glance(event, acts)
        voice = _voice(settings, folder / "prompts", live=not (options.typed or options.audio))
        if options.typed:
            conversation, opened = ready(voice, watch, None, "typed")
            from_text(conversation, _lines(screen.console.is_terminal), opened)
        elif options.audio:
            from handsfree.sound.audio import LONGEST_VISIT, read

            audio, remarks = read(options.audio, LONGEST_VISIT)
            print(*remarks, sep="\n", end="\n" if remarks else "", file=sys.stderr)
            with _recogniser(settings, speaker) as recogniser:
                conversation, opened = ready(voice, watch, recogniser, options.audio.name)
                from_recording(conversation, audio, _recorded(_for_speaker(opened, speaker)))
        else:
            with _recogniser(settings, speaker) as recogniser:
                source = "microphone" if settings.device is None else str(settings.device)
                conversation, opened = ready(voice, watch, recogniser, source)
                if lost := from_microphone(
                    conversation, settings.device, _for_speaker(opened, speaker), headset=settings.headset
                ):
                    told = f"{lost:.2f} s of sound were lost: the machine is too busy, or the driver bad"
                    print(told, file=sys.stderr)
        conversation.close()
    return OK if conversation.session.finding else REFUSED


@contextmanager
def _told_where(folder: Path, console: Console, ready: Ready) -> Iterator[Ready]:
    """However a session ends that ``ready`` has given: where its record is, how it is gone on with, and its seal."""
    from handsfree.session.journal import JournalError, seal

    held: list[Conversation] = []

    def begin(
        voice: Voice, watch: Watch, recogniser: Recogniser | None, source: str
    ) -> tuple[Conversation, Started | Reopened]:
        conversation, opened = ready(voice, watch, recogniser, source)
        held.append(conversation)
        return conversation, opened

    def tell() -> None:
        for conversation in held:
            told = f"The record is in {folder}"
            if not conversation.session.finding:
                told += f"\nGo on with it: handsfree resume {shlex.quote(str(folder))}"
            console.print(f"{told}\nseal {seal(folder)}", soft_wrap=True, markup=False)

    try:
        yield begin
    except (KeyboardInterrupt, PlainError, OSError):
        with suppress(JournalError, OSError):  # the first failure is what is told
            tell()
        raise
    tell()


def _meters(options: argparse.Namespace, job: Job | None = None) -> tuple[Meter, ...]:
    from handsfree.judge.meterfile import load_meters

    return load_meters(options.meter or (job.meters if job is not None else ()))


def _job(options: argparse.Namespace) -> Job:
    from handsfree.procedure.visit import Job, read_job

    if options.job is None:
        return Job({}, ())
    try:
        return read_job(options.job.read_bytes(), options.job)
    except OSError as error:
        raise UnusableError(f"{options.job} cannot be read ({error.strerror}): name a job file") from None


def _settings(options: argparse.Namespace) -> Settings:
    return everyday.in_force(vars(options)).settings


@contextmanager
def _glance(settings: Settings, console: Console) -> Iterator[Glance | None]:
    """The page beside the session, where one is asked for; says how to open it."""
    if settings.glance is None:
        yield None
        return
    from handsfree.glance.server import Glance

    with closing(Glance(*settings.glance)) as glance:
        console.print(f"The session at a glance: {glance.url}", soft_wrap=True)
        if glance.code and console.is_terminal:
            console.print(glance.code, style="#ffffff on #000000", end="")
        yield glance


def _watch(screen: Screen, glance: Glance | None, procedure: Procedure) -> Watch:
    """Whatever shows a session with this procedure."""
    if glance is None:
        return screen
    glance.show(procedure)

    def watch(event: Event, acts: Sequence[Act]) -> None:
        glance(event, acts)  # first: it never fails, and the screen may be gone
        screen(event, acts)

    return watch


def _voice(settings: Settings, prompts: Path | None = None, *, live: bool) -> Voice:
    """The voice that the settings ask for, as far as it works here. ``prompts`` is where those in files would be."""
    from handsfree.sound.voice import choose_voice

    kind = settings.voice
    if (kind == "auto" and not live) or (kind == "file" and prompts is None):
        kind = "silent"
    voice, remark = choose_voice(kind, prompts, device=settings.loudspeaker, words_per_minute=settings.rate)
    if remark:
        print(remark, file=sys.stderr)
    return voice


def _speaker(settings: Settings) -> Speaker | None:
    from handsfree.sound.enrolment import load

    return load(settings.speaker) if settings.speaker else None


def _for_speaker(opened: Started | Reopened, speaker: Speaker | None) -> Started | Reopened:
    """The record says whose profile was used, and which."""
    if speaker is None:
        return opened
    used = {"name": speaker.name, "made": speaker.made.isoformat(), "sha256": speaker.sha256}
    return _with_setting(opened, "speaker", used)


def _recorded(opened: Started | Reopened) -> Started | Reopened:
    """The record says that its times are those of a recording."""
    return _with_setting(opened, "times", "recording")


def _with_setting(opened: Started | Reopened, name: str, value: object) -> Started | Reopened:
    return replace(opened, data={**opened.data, "settings": {**opened.data["settings"], name: value}})


def _procedure(name: str) -> Path:
    """A procedure by path, or by the name of one that is shipped."""
    path = Path(name)
    if path.exists() or path.suffix:
        return path
    shipped = {file.stem: file for file in sorted(_shipped("procedures").glob("*.yaml"))}
    if name in shipped:
        return shipped[name]
    raise UnusableError(f"no procedure {name!r}: give the path of a YAML file, or one of {', '.join(shipped)}")


def _new_folder(loaded: Loaded) -> Path:
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    return Path("sessions") / f"{stamp}-{loaded.procedure.procedure}"


_LOOK = 0.5  # seconds between two looks at the clock while nothing is typed


def _lines(terminal: bool) -> Iterator[str | None]:
    """Lines of standard input, and at a terminal None now and then while nothing is typed."""
    stdin = sys.stdin
    if stdin is None or not (terminal and stdin.isatty() and isinstance(stdin.buffer, io.BufferedReader)):
        yield from stdin or ()
        return
    typed: queue.Queue[bytes] = queue.Queue()
    # Somebody waits for the technician here, and the next reading of a watch waits for nobody.
    threading.Thread(target=_pass_on, args=(stdin.buffer.raw, typed), daemon=True).start()
    print("> ", end="", flush=True)
    while True:
        try:
            line = typed.get(timeout=_LOOK)
        except queue.Empty:
            yield None
            continue
        if not line:
            return
        yield line.decode("utf-8", errors="replace")
        print("> ", end="", flush=True)


def _pass_on(raw: io.RawIOBase, typed: queue.Queue[bytes]) -> None:
    """Every line, and an empty one at the end.

    Without the buffer, whose lock a thread that still waits for a line would hold when the program ends.
    """
    for line in iter(raw.readline, b""):
        typed.put(line)
    typed.put(b"")


@contextmanager
def _recogniser(settings: Settings, speaker: Speaker | None = None) -> Iterator[Recogniser]:
    """The recogniser that was asked for, or else the best there is, in a process of its own."""
    from handsfree.sound import engines
    from handsfree.sound.apart import Apart

    model = engines.find_model(settings.model)
    if settings.engine == "auto":
        name = speaker.engine if speaker else engines.default(model)
    else:
        name = engines.BOTH if settings.engine == "both" else settings.engine
    if speaker is not None and (name != speaker.engine or name not in engines.MAKE):
        asked = engines.ASKED_FOR_AS.get(speaker.engine, speaker.engine)
        raise UnusableError(
            f"{speaker.name} was enrolled with {asked}, and {settings.engine} errs in other words: add --engine "
            f"{asked}, enrol again, or leave the speaker out with --speaker default"
        )
    if name in (engines.MOONSHINE, engines.BOTH) and engines.network_folder() is None:
        raise UnusableError(f"moonshine is not installed on this computer: add --engine {engines.default(model)}")
    arguments: list[object] = [] if name == engines.VOSK else [speaker]
    if name in engines.WITH_A_MODEL:
        if model is None:
            whose = f", with which {speaker.name} was enrolled" if speaker else ""
            raise UnusableError(
                f"no Vosk model found{whose}: 'python models/fetch.py' in the project's folder fetches one "
                "(models/README.md names others), or name the folder of yours with --model"
            )
        engines.check_model(model)
        arguments.append(model)
    with closing(Apart(name, engines.MAKE[name], *arguments)) as apart:
        yield apart


# -- parse and hear --------------------------------------------------------------------------------------------------


def _parse(options: argparse.Namespace) -> int:
    from handsfree.spoken.reading import parse

    expect, refused = Expectation(options.expect), False
    for line in sys.stdin or ():
        text = line.rstrip("\r\n")
        outcome = parse(text, expect)
        if isinstance(outcome, Reading):
            fields = {"kind": str(outcome.kind), "value": outcome.value, "unit": outcome.unit, "reason": None}
            if outcome.waveform is not None:
                fields["waveform"] = outcome.waveform
        else:
            refused = True
            fields = {"kind": "refuse", "value": None, "unit": None, "reason": outcome.reason}
        print(json.dumps({"text": text, **fields}, ensure_ascii=False), flush=True)
    return REFUSED if refused else OK


def _hear(options: argparse.Namespace) -> int:
    from handsfree.session.doubt import Policy
    from handsfree.sound.audio import AudioError, read
    from handsfree.sound.ear import Ear
    from handsfree.sound.soundcheck import Running, advice
    from handsfree.spoken.meaning import Open

    settings = _settings(options)
    expect, policy, codes = Expectation(options.expect), Policy(doubt=settings.confirm_below), {OK}
    nothing: dict[str, object] = {"heard": "", "accepted": False, "kind": "refuse", "value": None, "unit": None}
    nothing |= {
        "engine": None,
        "seconds": None,
        "start": None,
        "confidence": None,
        "alternatives": [],
        "rivals": [],
        "reason": None,
    }
    with _recogniser(settings, _speaker(settings)) as recogniser:
        for path in options.file:
            fields = {"file": str(path), **nothing}
            try:
                audio, remarks = read(path)
            except AudioError as error:
                print(error, file=sys.stderr)
                codes.add(UNUSABLE)
                print(json.dumps(fields | {"reason": str(error)}, ensure_ascii=False), flush=True)
                continue
            for remark in remarks:
                print(remark, file=sys.stderr)
                codes.add(CONVERTED)
            fields["seconds"] = round(audio.seconds, 3)
            running = Running()
            ear = Ear(recogniser, policy.doubt, running.hear)
            ear.open(Open(reading=expect))
            found = [
                (fields | _heard(hearing, expect, policy), advice(running.levels(hearing.speech)))
                for hearing in ear.all(audio, tight=True)
            ]
            ear.close()
            no_speech = f"{path}: no speech in it; record it again closer to the microphone"
            for line, lacked in found or [(fields | {"reason": no_speech}, ())]:
                if not line["accepted"]:
                    codes.add(REFUSED)
                    print(line["reason"], *lacked, sep="\n", file=sys.stderr)
                print(json.dumps(line, ensure_ascii=False), flush=True)
    return next(code for code in (UNUSABLE, REFUSED, CONVERTED, OK) if code in codes)


def _heard(hearing: Hearing, expect: Expectation, policy: Policy) -> dict[str, object]:
    """What a session that asks for a reading would make of an utterance."""
    from handsfree.spoken.reading import parse

    speech, utterance = hearing
    outcome, confidence = parse(utterance.text, expect), utterance.confidence
    fields: dict[str, object] = {
        "heard": utterance.text,
        "engine": utterance.engine,
        "start": round(speech.start, 3),
        "confidence": None if confidence is None else round(confidence, 3),
        "alternatives": [{"text": other.text, "score": round(other.score, 3)} for other in utterance.alternatives],
    }
    if speech.cut:
        return fields | {"reason": "not a whole utterance: it is cut off, or goes on for too long; record it again"}
    if not isinstance(outcome, Reading):
        return fields | {"reason": outcome.reason}
    likely = policy.likely((other.text, other.score) for other in utterance.alternatives)
    fields["rivals"] = rivals = _rivals(utterance.text, likely, outcome, expect)
    if policy.unsure(confidence):
        return fields | {"reason": f"not heard clearly: say it {'digit by digit' if rivals else 'again'}"}
    return fields | {"accepted": True, "kind": str(outcome.kind), "value": outcome.value, "unit": outcome.unit}


def _rivals(text: str, likely: Sequence[str], reading: Reading, expect: Expectation) -> list[str]:
    """The other readings that it may have been, as the tool says them."""
    from handsfree.spoken.confusable import twins
    from handsfree.spoken.readback import say_reading
    from handsfree.spoken.reading import parse_words

    sentences = [*twins(text.split()), *(other.split() for other in likely)]
    others = [parse_words(sentence, expect) for sentence in sentences]
    return list(
        dict.fromkeys(say_reading(other) for other in others if isinstance(other, Reading) and other != reading)
    )


# -- sound check -----------------------------------------------------------------------------------------------------


def _sound_check(options: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.table import Table

    from handsfree.sound.audio import read
    from handsfree.sound.soundcheck import of_microphone, of_recording, rows

    console, settings = Console(highlight=False), _settings(options)
    voice = _voice(settings, live=not options.audio)
    with closing(voice), _recogniser(settings) as recogniser:
        if options.audio:
            audio, remarks = read(options.audio)
            print(*remarks, sep="\n", end="\n" if remarks else "", file=sys.stderr)
            check = of_recording(audio, recogniser)
        else:
            check = of_microphone(settings.device, voice, recogniser, console.print)
        table = Table(box=None, show_header=False, padding=(0, 2))
        for name, figure in rows(check):
            table.add_row(name, figure)
        console.print(table)
        for sentence in (check.report, *check.advice):
            console.print(sentence, soft_wrap=True)
            voice.say(sentence)
        voice.wait()
    return OK if check.fit else REFUSED


# -- enrol -----------------------------------------------------------------------------------------------------------


def _enrol(options: argparse.Namespace) -> int:
    from handsfree.sound import enrolment

    if options.list:
        print(*enrolment.names() or ["nobody is enrolled"], sep="\n")
    elif options.sentences:
        print(*(sentence.text for sentence in enrolment.SENTENCES), sep="\n")
    elif options.delete:
        enrolment.delete(options.delete)
        print(f"The profile of {options.delete} is deleted.")
    elif options.name:
        return _enrol_speaker(options)
    else:
        raise UnusableError("whom to enrol? Give a name, as in 'handsfree enrol anna', or --list, or --delete NAME")
    return OK


def _enrol_speaker(options: argparse.Namespace) -> int:
    from rich.console import Console

    from handsfree.sound import engines, enrolment
    from handsfree.sound.audio import read

    console, settings = Console(highlight=False), _settings(options)
    name = enrolment.tidy(options.name)
    if settings.engine in ("auto", engines.VOSK):  # Vosk alone adapts to nobody
        found = engines.default(engines.find_model(settings.model))
        settings = replace(settings, engine="pocketsphinx" if found == engines.VOSK else "auto")
    with _recogniser(settings) as recogniser:
        if options.audio:
            audio, remarks = read(options.audio)
            print(*remarks, sep="\n", end="\n" if remarks else "", file=sys.stderr)
            results, levels = enrolment.of_recording(audio, recogniser)
            device = options.audio.name
        else:
            with closing(_voice(settings, live=True)) as voice:
                results, levels, device = enrolment.of_microphone(settings.device, voice, recogniser, console.print)
        findings = enrolment.measure(results)
        speaker = enrolment.adapt(name, findings, levels, device, recogniser.name)
    _print_findings(console, findings, speaker)
    console.print(f"The profile of {name} is in {enrolment.save(speaker)}", soft_wrap=True)
    return REFUSED if findings.failing else OK


def _print_findings(console: Console, findings: Findings, speaker: Speaker) -> None:
    from rich.table import Table

    if findings.failing:
        table = Table(box=None, padding=(0, 2))
        for title in ("word", "said", "right", "taken for", "advice"):
            table.add_column(title)
        for (word, found), advice in zip(findings.failing.items(), speaker.advice, strict=True):
            taken = ", ".join(other or "(nothing)" for other in found.taken_for)
            table.add_row(word, str(found.said), str(found.right), taken, advice.partition(":")[0])
        console.print(table)
    if findings.added:
        console.print(f"Heard though not said: {', '.join(findings.added)}.", soft_wrap=True)
    console.print(
        f"{speaker.right} of {speaker.sentences} sentences were heard right, {len(findings.wrong)} taken for another. "
        f"Confidence is moved by {speaker.offset:+.2f} (log-odds), and {len(speaker.confusions)} confusions are "
        "watched for.",
        soft_wrap=True,
    )


# -- check, verify, report -------------------------------------------------------------------------------------------


def _checked(path: Path) -> tuple[list[Problem], Loaded | None]:
    """What keeps a procedure from being run, wrong or not to be told apart by ear; and the procedure if it is read."""
    from handsfree.procedure.load import load
    from handsfree.procedure.proof import check
    from handsfree.sound.alike import same_sound

    if problems := check(path):
        return problems, None
    loaded = load(path)
    return same_sound(loaded), loaded


def _check(options: argparse.Namespace) -> int:
    from handsfree.judge.fit import misfits
    from handsfree.procedure.proof import advise
    from handsfree.sound.alike import guessed

    bad, meters = False, _meters(options)
    for name in options.procedure:
        path = _procedure(name)
        problems, loaded = _checked(path)
        for problem in problems:
            print(problem, file=sys.stderr)
        bad |= bool(problems)
        if not problems and loaded is not None:
            for advice in [*advise(loaded), *misfits(loaded, meters), *guessed(loaded)]:
                print(f"{advice} (advice)")
            print(f"{path}: {len(loaded.procedure.steps)} steps, every path proved")
    return UNUSABLE if bad else OK


_SEAL = re.compile(r"\s*(?:[0-9a-fA-F]\s*){64}")


def _verify(options: argparse.Namespace) -> int:
    from handsfree.review.report import check_page
    from handsfree.session.journal import Grade, seal
    from handsfree.session.replay import verify

    if options.seal is not None and not _SEAL.fullmatch(options.seal):
        raise UnusableError(f"{options.seal!r} is no seal: write the 64 figures and letters that the session printed")
    problems = [*verify(options.session, options.seal), *check_page(options.session)]
    for problem in problems:
        print(f"{problem.grade}: {problem}", file=sys.stderr)
    grades = {problem.grade for problem in problems}
    if options.seal is not None and Grade.BROKEN not in grades:
        print("The seal fits: nothing has been changed or cut off since it was noted.")
    if grades - {Grade.REMARK}:
        return REFUSED
    print(f"{options.session}: the chain holds, clips and procedure have its hashes, and replay gives the same record.")
    if options.seal is None:
        print("That nobody wrote all of it anew is only shown by the seal that was noted: --seal")
    print(f"seal {seal(options.session)}")
    return OK


def _report(options: argparse.Namespace) -> int:
    from handsfree.review.report import write_report
    from handsfree.session.journal import Grade
    from handsfree.session.replay import verify

    print(write_report(options.session, options.out))
    grades = {problem.grade for problem in verify(options.session)}
    if Grade.BROKEN in grades:
        print("The record does not hold: the page says why at its top.", file=sys.stderr)
    elif Grade.UNPROVED in grades:
        print("Another version made the record: the page says at its top what this one cannot prove.", file=sys.stderr)
    return OK if grades.isdisjoint({Grade.BROKEN, Grade.UNPROVED}) else REFUSED


# -- settings --------------------------------------------------------------------------------------------------------


def _show_settings(options: argparse.Namespace) -> int:
    from rich.console import Console
    from rich.table import Table

    if options.example:
        print(everyday.example(), end="")
        return OK
    in_force, file, console = everyday.in_force(vars(options)), everyday.path(), Console(highlight=False)
    table = Table(box=None, padding=(0, 2, 0, 0))
    for title in ("setting", "value", "from"):
        table.add_column(title, overflow="fold")
    for name in everyday.NAMES:
        value = everyday.shown(getattr(in_force.settings, name))
        table.add_row(name, value or "(none)", in_force.origin[name])
    console.print(table)
    print(f"The settings file is {file}" if file.exists() else f"There is no settings file; it would be {file}")
    return OK


# -- the command line ------------------------------------------------------------------------------------------------


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="handsfree",
        description="Reads a service procedure aloud, takes spoken meter readings, judges them against the procedure's "
        "limits and keeps a record of what was done. Works offline.",
        epilog="Exit codes: 0 all is well; 1 something was refused, not concluded or does not hold; 2 the input cannot "
        "be used; 3 (hear) the audio had to be converted; 130 interrupted.",
    )
    parser.add_argument("--version", action="version", version=f"handsfree {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    def command(name: str, does: Callable[[argparse.Namespace], int], short: str, long: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=short, description=long)
        made.set_defaults(command=does)
        return made

    demo = command(
        "demo",
        _demo,
        "replay recorded service visits through the real recogniser",
        "Feeds recorded visits of a technician to the recogniser at full speed, prints what is said and heard, and "
        "writes the record and a report of each. Needs no microphone, loudspeaker or model download.",
    )
    demo.add_argument(
        "session",
        nargs="*",
        help="which of the recorded sessions (default: the short ones; "
        "cabinet-warms and cabinet-cools are the long ones)",
    )
    demo.add_argument("--out", type=Path, metavar="DIR", help="folder for the records (default: a new temporary one)")
    demo.add_argument(
        "--voice",
        choices=("auto", "aloud", "file", "silent"),
        default="silent",
        help="speak aloud, into files beside the record, or not at all (default: silent)",
    )
    everyday.add_options(demo, "glance", "engine", "model")

    run = command(
        "run",
        _run,
        "be led through a procedure",
        "Leads through one procedure. Listens to the microphone unless --typed or --audio is given. Say 'say again', "
        "'read back', 'correction', 'stand by', 'unable', 'go back', 'how far' or 'end session' at any step.",
    )
    run.add_argument("procedure", help="path of a YAML file, or the name of a shipped procedure")
    _add_input(run)
    run.add_argument("--out", type=Path, metavar="DIR", help="folder for the record (default: sessions/TIME-PROCEDURE)")
    _add_meter(run, "judge with a meter's uncertainty and hold it to what a step demands")
    _add_visit(run)
    everyday.add_options(run, *everyday.NAMES)

    resume = command(
        "resume",
        _resume,
        "go on with a session that was left",
        "Goes on with a session that was left, killed, or ended by the end of its input, at the step where it was. "
        "Dead is proved again before hands go inside: somebody may have switched on since. Meters, and how sure a "
        "reading must be, are those that the session began with. A session that came to its finding is over.",
    )
    resume.add_argument("session", type=Path, help="folder of the session")
    _add_input(resume)
    everyday.add_options(resume, *(name for name in everyday.NAMES if name != "confirm_below"))

    shown = command(
        "settings",
        _show_settings,
        "show the settings and where each comes from",
        "Prints every setting that is in force and where it comes from: an option counts before an environment "
        f"variable ({everyday.variable('voice')} for voice, and so on), that before the settings file (TOML), and that "
        "before what is built in. Says where the file is, or would be. Options given here are shown as they would "
        "count.",
    )
    shown.add_argument("--example", action="store_true", help="print a settings file with every setting explained")
    everyday.add_options(shown, *everyday.NAMES)

    parse = command(
        "parse",
        _parse,
        "read phrases as readings",
        "Reads one phrase a line on standard input and writes one JSON object for each: text, kind (reading, "
        "over-range, above, below, refuse), value (decimal string as spoken), unit (pint's name) and reason. Exit code "
        "1 where any phrase was refused.",
    )
    _add_expect(parse)

    hear = command(
        "hear",
        _hear,
        "recognise recorded readings",
        "Recognises the spoken readings in sound files as a session would, and writes one JSON object a line for each "
        "utterance: file, heard, accepted, kind, value, unit, seconds (of the file), start (of the utterance in it), "
        "confidence (0 to 1), alternatives (other hearings, with the logarithm of their likelihood against what was "
        "heard), rivals (other readings that it may have been), reason (why it is not accepted). A silence of 0.8 s "
        "parts utterances, 0.3 s where the reading is complete. What is accepted is heard surely; where a "
        "rival would be judged otherwise, a session asks for single digits all the same, which needs a step's limit to "
        "tell. A file without speech has one line. Files are WAV, FLAC and others at 16 kHz or more; other than 16 kHz "
        "mono is converted with a remark and exit code 3.",
    )
    hear.add_argument("file", nargs="+", type=Path, metavar="FILE")
    _add_expect(hear)
    everyday.add_options(hear, "engine", "model", "speaker", "confirm_below")

    sound_check = command(
        "sound-check",
        _sound_check,
        "measure how well the tool can hear",
        "Names the microphone, asks for two seconds of silence and then for the sentence 'five point two ohms', and "
        "prints the level of speech and noise, bandwidth and clipping, what was heard, and what to do about it. Exit "
        "code 0 where one can work like this, 1 where not, 2 where the device or the file cannot be used.",
    )
    sound_check.add_argument(
        "--audio", type=Path, metavar="FILE", help="check a recording instead: some silence, then the sentence"
    )
    everyday.add_options(sound_check, "voice", "rate", "device", "loudspeaker", "engine", "model")

    enrol = command(
        "enrol",
        _enrol,
        "adapt to a speaker, headset and place",
        "Takes two minutes: asks for a list of sentences, measures which words fail, prints advice and keeps a profile "
        "on this computer for --speaker of 'run' and 'hear'. All recognisers can be adapted but Vosk alone. Exit "
        "code 0 where every word was heard right, 1 where some fail, 2 where the device, the file or the result cannot "
        "be used.",
    )
    enrol.add_argument("name", nargs="?", help="whom to enrol")
    other = enrol.add_mutually_exclusive_group()
    other.add_argument("--list", action="store_true", help="print who is enrolled")
    other.add_argument("--delete", metavar="NAME", help="delete a profile")
    other.add_argument("--sentences", action="store_true", help="print the sentences")
    other.add_argument(
        "--audio", type=Path, metavar="FILE", help="take them from a recording, a second of silence around each"
    )
    everyday.add_options(enrol, "voice", "rate", "device", "loudspeaker", "engine", "model")

    check = command(
        "check",
        _check,
        "check procedures and prove every path",
        "Checks procedure files: YAML, keys, units, limits and targets, with file, line and column of each mistake; "
        "then proves over every path that hands stay out while a source is live, that all that is taken off is put "
        "back, and that every outcome leads to a conclusion.",
    )
    check.add_argument("procedure", nargs="+", help="path of a YAML file, or the name of a shipped procedure")
    _add_meter(check, "say also what the readings ask of a meter that none of these can do")

    verify = command(
        "verify",
        _verify,
        "check that a record is as it was written",
        "Recomputes the hash chain of a session's journal, compares clips and procedure with their hashes, and replays "
        "the session: its own events must give the same readings, verdicts and answers again. Prints the seal, the "
        "hash of the last entry.",
    )
    verify.add_argument("session", type=Path, help="folder of the session")
    verify.add_argument("--seal", help="the seal noted when the session ended: shows a changed or missing end too")

    report = command(
        "report",
        _report,
        "write a session as a page to read",
        "Writes one self-contained HTML page: finding, deviations, every reading with limit and verdict, and the "
        "transcript with its audio clips. Prints the page's path.",
    )
    report.add_argument("session", type=Path, help="folder of the session")
    report.add_argument(
        "--out", type=Path, metavar="FILE", help="where to write it (default: report.html in the folder)"
    )
    return parser


def _quantity(text: str) -> Quantity:
    try:
        return Quantity(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is none of {', '.join(Quantity)}") from None


def _add_input(parser: argparse.ArgumentParser) -> None:
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--typed", action="store_true", help="type what would be said, one phrase a line")
    how.add_argument("--audio", type=Path, metavar="FILE", help="take the technician's words from a recording")


def _add_expect(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--expect",
        type=_quantity,
        metavar="QUANTITY",
        help=f"the quantity that is asked for, which supplies a missing unit: {', '.join(Quantity)} (default: any; a "
        "bare number is a count)",
    )


def _add_visit(parser: argparse.ArgumentParser) -> None:
    about = "what the visit is known by; what the procedure asks for and is not given here is asked for aloud"
    group = parser.add_argument_group("visit", about)
    for option, what in (("work-order", "work order"), ("asset", "asset number"), ("serial", "serial number")):
        group.add_argument(f"--{option}", metavar="TEXT", help=f"{what} of the visit")
    group.add_argument("--site", metavar="TEXT", help="where the equipment stands")
    group.add_argument(
        "--job",
        type=Path,
        metavar="FILE",
        help='all of this in a TOML file: work_order = "4711", asset, serial, site, technician, meter = "meter.yaml"',
    )


def _add_meter(parser: argparse.ArgumentParser, short: str) -> None:
    parser.add_argument(
        "--meter",
        type=Path,
        action="append",
        metavar="FILE",
        help=f"{short}: a meter's YAML file, or a folder of them; may be given several times",
    )


if __name__ == "__main__":
    sys.exit(main())
