"""The commands. The one rule: they parse arguments, call a room and print; nothing is decided here.

Exit codes: 0 all is well; 1 something was refused, not concluded or does not hold; 2 the input cannot be used (a file,
a folder, an option); 3 (``hear``) heard, but the audio had to be converted; 130 interrupted.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from handsfree import __version__
from handsfree.errors import PlainError
from handsfree.spoken.meaning import Expectation, Quantity, Reading

if TYPE_CHECKING:  # engines and pint take long to import: each command imports what it needs
    from handsfree.procedure.load import Loaded
    from handsfree.sound.protocol import Recogniser

OK, REFUSED, UNUSABLE, CONVERTED, INTERRUPTED = 0, 1, 2, 3, 130


class UnusableError(PlainError):
    """What was named on the command line cannot be used."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command and returns its exit code; bad input is told in a sentence on standard error."""
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal's own code page may lack the signs that are printed
            stream.reconfigure(encoding="utf-8", errors="replace")
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


# -- demo ------------------------------------------------------------------------------------------------------------


def _demo(options: argparse.Namespace) -> int:
    from handsfree.console import Screen, summary
    from handsfree.procedure.load import load
    from handsfree.review.report import write_report
    from handsfree.sound.audio import read
    from handsfree.sound.loop import begin, from_recording
    from handsfree.sound.sphinx import SphinxRecogniser
    from handsfree.sound.voice import choose_voice

    sessions = _demo_sessions()
    names = options.session or list(sessions)
    if unknown := [name for name in names if name not in sessions]:
        raise UnusableError(f"no demo session {unknown[0]!r}: choose from {', '.join(sessions)}")
    base = options.out or Path(tempfile.mkdtemp(prefix="handsfree-demo-"))
    screen, recogniser = Screen(), SphinxRecogniser()
    rows, as_expected, started, recorded = [], True, time.monotonic(), 0.0
    for name in names:
        demo = sessions[name]
        audio, _ = read(demo.audio)
        recorded += audio.seconds
        screen.console.rule(f"{name}: {demo.about}")
        voice, remark = choose_voice(options.voice, base / name / "prompts")
        if remark:
            print(remark, file=sys.stderr)
        conversation, opened = begin(
            load(demo.procedure), base / name, voice, screen, recogniser, source=demo.audio.name
        )
        from_recording(conversation, audio, opened)
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
    finding: str


def _demo_sessions() -> dict[str, _DemoSession]:
    folder = _shipped("demo_sessions")
    listing = json.loads((folder / "sessions.json").read_text(encoding="utf-8"))
    return {
        entry["name"]: _DemoSession(
            entry["about"],
            folder / entry["audio"],
            _shipped("procedures") / entry["procedure"],
            entry["finding"],
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


# -- run -------------------------------------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    from handsfree.console import Screen
    from handsfree.procedure.load import load
    from handsfree.procedure.proof import check
    from handsfree.session.journal import seal
    from handsfree.sound.loop import begin, from_microphone, from_recording, from_text
    from handsfree.sound.voice import choose_voice

    path = _procedure(options.procedure)
    if problems := check(path):
        for problem in problems:
            print(problem, file=sys.stderr)
        raise UnusableError("the procedure is not run before all of this is put right")
    loaded = load(path)
    folder = options.out or _new_folder(loaded)
    voice, remark = choose_voice(
        options.voice or ("silent" if options.typed or options.audio else "auto"), folder / "prompts"
    )
    if remark:
        print(remark, file=sys.stderr)
    screen = Screen()
    if options.typed:
        conversation, opened = begin(loaded, folder, voice, screen, None, source="typed")
        from_text(conversation, _lines(screen.console.is_terminal), opened)
    elif options.audio:
        from handsfree.sound.audio import read

        audio, remarks = read(options.audio)
        print(*remarks, sep="\n", end="\n" if remarks else "", file=sys.stderr)
        conversation, opened = begin(loaded, folder, voice, screen, _recogniser(options), source=options.audio.name)
        from_recording(conversation, audio, opened)
    else:
        recogniser = _recogniser(options)
        conversation, opened = begin(loaded, folder, voice, screen, recogniser, source=options.device or "microphone")
        from_microphone(conversation, options.device, opened, headset=options.headset)
    conversation.close()
    screen.console.print(f"The record is in {folder}\nseal {seal(folder)}", soft_wrap=True)
    return OK if conversation.session.finding else REFUSED


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


def _lines(terminal: bool) -> Iterator[str]:
    while sys.stdin is not None:
        if terminal and sys.stdin.isatty():
            print("> ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            return
        yield line


def _recogniser(options: argparse.Namespace) -> Recogniser:
    if options.engine != "pocketsphinx":
        from handsfree.sound.vosk import VoskRecogniser, find_model

        model = find_model(options.model)
        if model is not None:
            return VoskRecogniser(model)
        if options.engine == "vosk":
            raise UnusableError(
                "no Vosk model found: put a model's folder into models/ (models/README.md says which), "
                "or name it with --model"
            )
    from handsfree.sound.sphinx import SphinxRecogniser

    return SphinxRecogniser()


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
    from handsfree.session.machine import Policy
    from handsfree.sound.audio import AudioError, read
    from handsfree.sound.endpoint import speech_span
    from handsfree.spoken.meaning import Open
    from handsfree.spoken.reading import parse

    recogniser = _recogniser(options)
    what = Open(reading=Expectation(options.expect))
    recogniser.open(what)
    codes = {OK}
    for path in options.file:
        fields: dict[str, object] = {"file": str(path), "heard": "", "accepted": False, "kind": "refuse"}
        fields |= {"value": None, "unit": None, "seconds": None, "confidence": None, "reason": None}
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
        speech = speech_span(audio)
        if speech is None:
            fields["reason"] = f"{path}: no speech in it; record it again closer to the microphone"
        else:
            utterance = recogniser.hear(speech)
            outcome = parse(utterance.text, Expectation(options.expect))
            confidence = None if utterance.confidence is None else round(utterance.confidence, 3)
            fields |= {"heard": utterance.text, "confidence": confidence}
            if not isinstance(outcome, Reading):
                fields["reason"] = outcome.reason
            elif utterance.confidence is not None and utterance.confidence < Policy().doubt:
                fields["reason"] = "not heard clearly: say it again"
            else:
                fields |= {"accepted": True, "kind": str(outcome.kind), "value": outcome.value, "unit": outcome.unit}
        if not fields["accepted"]:
            codes.add(REFUSED)
            print(fields["reason"], file=sys.stderr)
        print(json.dumps(fields, ensure_ascii=False), flush=True)
    return next(code for code in (UNUSABLE, REFUSED, CONVERTED, OK) if code in codes)


# -- check, verify, report -------------------------------------------------------------------------------------------


def _check(options: argparse.Namespace) -> int:
    from handsfree.procedure.load import load
    from handsfree.procedure.proof import advise, check

    bad = False
    for name in options.procedure:
        path = _procedure(name)
        problems = check(path)
        for problem in problems:
            print(problem, file=sys.stderr)
        bad |= bool(problems)
        if not problems:
            loaded = load(path)
            for advice in advise(loaded):
                print(f"{advice} (advice)")
            print(f"{path}: {len(loaded.procedure.steps)} steps, every path proved")
    return UNUSABLE if bad else OK


def _verify(options: argparse.Namespace) -> int:
    from handsfree.session.journal import Grade, seal
    from handsfree.session.replay import verify

    problems = verify(options.session, options.seal)
    for problem in problems:
        print(f"{problem.grade}: {problem}", file=sys.stderr)
    if any(problem.grade is not Grade.REMARK for problem in problems):
        return REFUSED
    print(
        f"{options.session}: the chain holds, clips and procedure are as they were, and replay gives the same record."
    )
    print(f"seal {seal(options.session)}")
    return OK


def _report(options: argparse.Namespace) -> int:
    from handsfree.review.report import write_report

    print(write_report(options.session, options.out))
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
    demo.add_argument("session", nargs="*", help="which of the recorded sessions (default: all)")
    demo.add_argument("--out", type=Path, metavar="DIR", help="folder for the records (default: a new temporary one)")
    _add_voice(demo, "silent")

    run = command(
        "run",
        _run,
        "be led through a procedure",
        "Leads through one procedure. Listens to the microphone unless --typed or --audio is given. Say 'say again', "
        "'read back', 'correction', 'stand by', 'unable', 'go back', 'how far' or 'end session' at any step.",
    )
    run.add_argument("procedure", help="path of a YAML file, or the name of a shipped procedure")
    how = run.add_mutually_exclusive_group()
    how.add_argument("--typed", action="store_true", help="type what would be said, one phrase a line")
    how.add_argument("--audio", type=Path, metavar="FILE", help="take the technician's words from a recording")
    run.add_argument("--out", type=Path, metavar="DIR", help="folder for the record (default: sessions/TIME-PROCEDURE)")
    run.add_argument("--device", metavar="NAME", help="microphone, by number or part of its name")
    run.add_argument(
        "--headset", action="store_true", help="the microphone does not hear the voice: speech cuts it off"
    )
    _add_voice(run, None)
    _add_engine(run)

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
        "Recognises one spoken reading in each sound file and writes one JSON object a line: file, heard, accepted, "
        "kind, value, unit, seconds (of audio), confidence, reason. Files are WAV, FLAC and others at 16 kHz or more; "
        "other than 16 kHz mono is converted with a remark and exit code 3.",
    )
    hear.add_argument("file", nargs="+", type=Path, metavar="FILE")
    _add_expect(hear)
    _add_engine(hear)

    check = command(
        "check",
        _check,
        "check procedures and prove every path",
        "Checks procedure files: YAML, keys, units, limits and targets, with file, line and column of each mistake; "
        "then proves over every path that hands stay out while a source is live, that all that is taken off is put "
        "back, and that every outcome leads to a conclusion.",
    )
    check.add_argument("procedure", nargs="+", help="path of a YAML file, or the name of a shipped procedure")

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


def _add_expect(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--expect",
        type=_quantity,
        metavar="QUANTITY",
        help=f"the quantity that is asked for, which supplies a missing unit: {', '.join(Quantity)} (default: any; a "
        "bare number is a count)",
    )


def _add_voice(parser: argparse.ArgumentParser, default: str | None) -> None:
    parser.add_argument(
        "--voice",
        choices=("auto", "aloud", "file", "silent"),
        default=default,
        help="speak aloud, into files beside the record, or not at all (default: "
        + ("silent)" if default else "aloud where there is a loudspeaker; silent with --typed and --audio)"),
    )


def _add_engine(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--engine",
        choices=("auto", "pocketsphinx", "vosk"),
        default="auto",
        help="recogniser (default: Vosk where a model is found in models/, else the embedded PocketSphinx)",
    )
    parser.add_argument("--model", type=Path, metavar="DIR", help="folder of a Vosk model")


if __name__ == "__main__":
    sys.exit(main())
