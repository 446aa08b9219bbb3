"""The loop: joins one session to its journal, its voice and its ear.

The one rule: what the session records is on the disk before what it says is spoken. Where the disk takes nothing, that
is told, and the answer waits with everything after it until it is on the disk.
"""

from __future__ import annotations

import gc
import math
import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path

from handsfree import __version__
from handsfree.judge.meter import Meter
from handsfree.procedure.load import Loaded
from handsfree.session.doubt import Policy
from handsfree.session.events import (
    Act,
    Close,
    Due,
    Ended,
    Event,
    Fault,
    Heard,
    Listen,
    Mark,
    Reception,
    Record,
    Reopened,
    Say,
    SpeakRate,
    Started,
    asks_again,
    comes_to_nothing,
)
from handsfree.session.journal import DiskError, Journal, JournalError
from handsfree.session.machine import Session
from handsfree.session.resume import Resumed
from handsfree.sound.apart import Apart, RecogniserError
from handsfree.sound.audio import flac
from handsfree.sound.clock import Clock
from handsfree.sound.devices import Change, DeviceError, microphone
from handsfree.sound.ear import Ear, Hearing
from handsfree.sound.endpoint import PRE_ROLL
from handsfree.sound.onset import Onset
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.sound.soundcheck import Running, reception
from handsfree.sound.tones import Tone
from handsfree.sound.voice import SilentVoice, Voice, VoiceError
from handsfree.spoken.meaning import Word
from handsfree.spoken.words import PHRASES

TOLD_AGAIN_AFTER = 30.0  # seconds between two remarks on lost sound: on a busy machine it is lost all the time
UNMUTED = 1.0  # seconds for which a microphone that hears again is listened to before that is said
BLEEDS = 4  # prompts in a row that were cut off by nothing that was understood
UNDERSTOOD = 0.5  # seconds of an answer before which nobody has understood it
TRY_AGAIN_AFTER = timedelta(seconds=1)  # between two tries to write a record that could not be written

Watch = Callable[[Event, Sequence[Act]], None]

_BLEEDS = (
    "The microphone hears the loudspeaker, or a noise as loud as speech. From now on it is closed while I speak: wait "
    "for the end of a prompt."
)
_SAID_AGAIN = ("caution", "instruction")  # where they were cut off by what came to nothing
_UNSPOKEN = "A prompt could not be spoken. Read it on the screen."


class Conversation:
    """A session with its edges. ``watch`` is told of every event and its acts once they are on record, and of a record
    that cannot be written, which is on none.

    Its ear, if it has a recogniser, is told what to listen for; ``sure`` is the ear's.
    """

    def __init__(
        self, session: Session, journal: Journal, voice: Voice, watch: Watch, recogniser: Recogniser | None, sure: float
    ) -> None:
        self._sound = Running()
        self.session = session
        self.ear = None if recogniser is None else Ear(recogniser, sure, self._sound.hear)
        self._journal = journal
        self._voice = voice
        self._sure = sure
        self._watch = watch
        self._faults: deque[str] = deque()
        self._kept_back: tuple[Event, Sequence[Act]] | None = None  # the answer that could not be written
        self._tried: datetime | None = None  # when it was tried last
        self._missed = 0  # utterances since that were not taken
        self._loudspeaker = True
        self.understood = True  # whether the last utterance was
        self._unspoken = 0  # prompts in a row that the voice could not speak
        self._said: list[Say] = []  # the last answer
        self._cut_off: list[Say] = []  # an answer that somebody spoke into
        self._left_off: tuple[str, ...] = ()  # what of it was not spoken to its end
        self._said_again: list[str] = []  # what of it was, since the last utterance
        self._owed: list[Say] = []  # what is still to be spoken, once a question of the tool's own is answered
        self._instruction: tuple[str, str] | None = None  # the step and the text of the latest
        self.instructed = 0.0  # seconds of the stream; before that nobody has understood it, infinite until it begins

    @property
    def over(self) -> bool:
        """Whether the session is closed and all of it is on record."""
        return self.session.closed and self._kept_back is None

    def handle(self, event: Event) -> None:
        """Takes one event to the session and carries out its acts, which are on record by then.

        Where the record cannot be written, that is told instead of the answer, and no utterance is taken before it can.
        Raises DiskError where the input ends meanwhile.
        """
        if self._kept_back is not None:
            self._wait(event)
            return
        acts = self.session.handle(event)
        for act in acts:
            if isinstance(act, Record):
                self._journal.append(event.time, act.mark, act.data)
        self._kept_back = event, acts
        try:
            self._write()
        except DiskError as error:
            self._cannot_write(event, error)

    def _write(self) -> None:
        """Puts what is kept back on record and carries it out."""
        assert self._kept_back is not None
        self._journal.flush()
        (event, acts), self._kept_back = self._kept_back, None
        self._carry_out(event, acts)

    def _cannot_write(self, event: Event, error: DiskError) -> None:
        if isinstance(event, Ended):
            raise error
        self._tried = event.time
        what = "Not taken: the record" if self._missed else "The record"
        told = f"{what} cannot be written: {error.reason}. Free space, then say {PHRASES[Word.GO_AHEAD][0]}."
        self._watch(Fault(event.time, told), ())
        self._voice.tone("attention")
        self._say(Say(told, "status"))

    def _wait(self, event: Event) -> None:
        """An event while the record cannot be written: it is tried again, and what was said is not taken."""
        said = isinstance(event, Heard)
        if isinstance(event, Heard) and event.text.strip().lower() not in PHRASES[Word.GO_AHEAD]:
            self._missed += 1
        try:
            self._recover(event.time)
        except DiskError as error:
            if isinstance(event, Fault):
                self._faults.append(event.what)
            elif said or isinstance(event, Ended):
                self._cannot_write(event, error)
            return
        if not said:
            self.handle(event)

    def _recover(self, time: datetime) -> None:
        """Writes what was kept back, if the disk takes it by now, and tells that and how much was not taken."""
        self._tried = time
        self._write()
        missed, self._missed = self._missed, 0
        again = f" Not taken meanwhile: {_times(missed)}. Say it again." if missed else ""
        self.handle(Fault(time, f"For a while the record could not be written. Now it is complete.{again}"))

    def _carry_out(self, event: Event, acts: Sequence[Act]) -> None:
        self._watch(event, acts)
        said = [act for act in acts if isinstance(act, Say)]
        if isinstance(event, Heard):
            self.understood = not asks_again(acts) or self._only_too_early(event)
        if said:
            self._owe(event, acts, said)
            self._said = [*self._unsaid, *said, *self._cut_off]
        before, after = _tones(event, acts)
        if before is not None and not (said and said[0].about == "caution"):  # which has a tone of its own
            self._voice.tone(before)
        for act in acts:
            match act:
                case Say():
                    self._say(act)
                    if after is not None and act.about == "reading":
                        self._voice.tone(after)
                case SpeakRate(factor=factor):
                    self._voice.rate(factor)
                case Listen(what=what) if self.ear is not None:
                    self.ear.open(what)
                case Record() | Close() | Listen():
                    pass
        self.tell(event.time)

    def _only_too_early(self, event: Heard) -> bool:
        """Whether somebody said words that came before the instruction, and not this voice what it was reading back."""
        own = any(event.text in prompt.lower() for prompt in event.left_off)
        return event.unasked and event.confidence is not None and event.confidence >= self._sure and not own

    def _owe(self, event: Event, acts: Sequence[Act], said: Sequence[Say]) -> None:
        """Keeps what this cut off and is still to be heard: where nothing came of it, and no question of the tool's own
        stands. An instruction that nobody has heard yet waits, with its cautions, until it is open again.
        """
        cut_off = [act for act in self._cut_off if act.about in _SAID_AGAIN]
        asks = "asked again" if self.session.ending else "instruction"
        instructions = [act.text for act in said if act.about == asks]
        if instructions:
            self._owed = []
            if self.session.ending or self._instruction != (self.session.at, instructions[-1]):
                self._instruction, self.instructed = (self.session.at, instructions[-1]), math.inf
        elif isinstance(event, Heard) and self.instructed == math.inf:
            self._owed += cut_off
        again = not isinstance(event, Heard) or (comes_to_nothing(acts) and not self.session.asking)
        self._cut_off = cut_off if again else []
        if self._owed and self.session.instructing:
            self._cut_off, self._owed = self._owed, []

    def tell(self, time: datetime) -> None:
        """Tells the session of what has failed since, or works again, and tries again to write what could not be."""
        if self._kept_back is not None:
            if self._tried is None or time >= self._tried + TRY_AGAIN_AFTER:
                with suppress(DiskError):
                    self._recover(time)
            return
        self._notice()
        while self._faults and self._kept_back is None:
            self.handle(Fault(time, self._faults.popleft()))

    def wake(self, time: datetime) -> None:
        """Tells the session that a reading it waits for is due, once the time has come and nobody is speaking."""
        due = self.session.due if self._kept_back is None else None
        if due is not None and time >= due and not (self.ear is not None and self.ear.speaking):
            self.handle(Due(time))

    def note(self, fault: str) -> None:
        """Keeps a fault for the next ``tell``; may be called in any thread."""
        self._faults.append(fault)

    def _notice(self) -> None:
        for change in self._voice.changes():
            self._loudspeaker = change.kind != "lost"
            self._faults.append(change.text)

    def _say(self, said: Say) -> None:
        if said.about == "caution":
            self._voice.tone("attention")
        try:
            self._voice.say(said.text)
            self._unspoken = 0
        except VoiceError as error:
            # Whoever cannot hear is told in writing, and the session goes on.
            self._notice()
            if not self._loudspeaker:  # which was told, and may come back
                return
            if _UNSPOKEN in self._faults:
                return  # which is still to be told
            self._unspoken += 1
            if self._unspoken == 1:  # it may be this text alone; telling so shows it
                self._faults.append(_UNSPOKEN)
            else:
                self._voice.close()
                self._voice = SilentVoice()
                self._faults.append(f"Prompts are no longer spoken: {error}.")

    def close(self) -> None:
        """Lets the voice finish and closes the record."""
        with suppress(VoiceError):  # the record is complete; there is nobody left to tell aloud
            self._voice.wait()
        self._voice.close()
        if self.ear is not None:
            self.ear.close()
        self._journal.close()

    def give_up(self, error: DiskError) -> str:
        """Ends a session whose record cannot be written; gives what is to be told of it."""
        self._voice.close()
        if self.ear is not None:
            self.ear.close()
        with suppress(DiskError):
            self._journal.close()
        lost = self._journal.unwritten
        told = f"The session was stopped, for its record cannot be written: {error.reason}."
        if lost:
            heard = [entry.data["text"] for entry in lost if entry.kind is Mark.HEARD]
            what = f", among them what was said last: {heard[-1]!r}" if heard else ""
            told += f" {len(lost)} entries after entry {lost[0].n - 1} are not in it{what}."
        if self._missed:
            told += f" Not taken after that: {_times(self._missed)}."
        return f"{told} Free space, then go on with: handsfree resume {self._journal.folder}"

    @property
    def speaking(self) -> bool:
        return self._voice.speaking

    def follow(self, now: float) -> None:
        """Notes whether the instruction has begun to be spoken by ``now``, in seconds of the stream."""
        if self.instructed < math.inf or self._instruction is None:
            return
        text = self._instruction[1]
        if self._voice.saying == text or text not in [act.text for act in (*self._unsaid, *self._cut_off, *self._owed)]:
            self.instructed, self._owed = now + UNDERSTOOD, []

    def hold(self) -> None:
        """Falls silent in the middle of a prompt."""
        self._voice.hold()

    def go_on(self) -> None:
        """Speaks on where it was held, if it was."""
        self._voice.go_on()

    def hush(self) -> None:
        """Cuts off what is being spoken."""
        if self._voice.speaking:
            self._cut_off = self._unsaid
            self._left_off = tuple(act.text for act in self._cut_off)
        self._voice.stop()

    @property
    def _unsaid(self) -> list[Say]:
        """What of the last answer is being spoken, or waits to be."""
        if not self._voice.speaking:
            return []
        texts, saying = [act.text for act in self._said], self._voice.saying
        if saying and saying not in texts:  # it is no answer
            return []
        return self._said[texts.index(saying) if saying else 0 :]

    def resume(self) -> None:
        """Says again from its beginning what was cut off, if nothing has been answered since."""
        again, self._cut_off, self._left_off = self._cut_off, [], ()
        self._said_again += [said.text for said in again]
        for said in again:
            self._say(said)

    def take(self, hearing: Hearing, time: datetime, *, early: bool = False, unasked: bool = False) -> None:
        """Keeps an utterance's clip and takes what was heard in it to the session.

        ``early``: it began before the answer to the one before; ``unasked``: before anybody had heard the instruction.
        """
        speech, utterance = hearing
        levels = self._sound.levels(speech)
        received = None if speech.cut else reception(levels)
        if self._kept_back is not None:  # there is no room for its sound either
            self.handle(Heard(time, utterance.text))
            return
        try:
            clip, digest = self._journal.keep_clip(flac(speech))
        except DiskError as error:
            told = f"The record cannot be written: {error.reason}. What was said is not taken. Free space, then say it"
            self.handle(Fault(time, f"{told} again."))
            return
        left_off, self._left_off = self._left_off, ()
        said_again, self._said_again = tuple(self._said_again), []
        self.handle(
            heard(
                utterance,
                time,
                clip=clip,
                digest=digest,
                speech=speech,
                received=received,
                early=early,
                unasked=unasked,
                left_off=left_off,
                said_again=said_again,
            )
        )


def _times(number: int) -> str:
    return f"{number} utterance{'' if number == 1 else 's'}"


def _tones(event: Event, acts: Sequence[Act]) -> tuple[Tone | None, Tone | None]:
    """The tone before the answer, and the one after the reading's verdict.

    An answer may be the same words as before; the tone says at once whether it was understood.
    """
    records = [act for act in acts if isinstance(act, Record)]
    marks = {record.mark for record in records}
    outside = any(record.mark is Mark.READING and record.data["verdict"] == "nonconforming" for record in records)
    before: Tone | None = None
    if isinstance(event, Fault | Due):
        before = "attention"
    elif isinstance(event, Heard) and marks & {Mark.ASKED_AGAIN, Mark.REFUSED}:
        before = "again"
    elif isinstance(event, Heard) and len(records) > 1:  # more than that it was heard: talk in a pause gets no answer
        before = "heard"
    return before, "limit" if outside else None


def begin(
    loaded: Loaded,
    folder: Path,
    voice: Voice,
    watch: Watch,
    recogniser: Recogniser | None,
    *,
    source: str,
    meters: Sequence[Meter] = (),
    time: datetime | None = None,
    policy: Policy | None = None,
    visit: Mapping[str, str] | None = None,
) -> tuple[Conversation, Started]:
    """A new session in a new folder, and the event that opens it. Raises JournalError for a folder it cannot use.

    ``meters`` are those at hand, with all that is known of them, and ``visit`` is what the visit is known by; the
    record keeps both.
    """
    procedure, policy = loaded.procedure, policy or Policy()
    journal = Journal.create(folder, loaded.source)
    known: dict[str, object] = {"meters": [meter.model_dump(mode="json") for meter in meters]} if meters else {}
    if visit:
        known["visit"] = dict(visit)
    opened = Started(
        time or Clock().now(),
        {
            **known,
            "handsfree": __version__,
            "procedure": {
                "id": procedure.procedure,
                "title": procedure.title,
                "edition": procedure.edition,
                "equipment": procedure.equipment,
                "sha256": loaded.sha256,
            },
            "settings": _settings(policy, recogniser, source, voice),
        },
    )
    session = Session(procedure, policy, tuple(meters))
    return _joined(session, journal, voice, watch, recogniser, policy), opened


def go_on(
    resumed: Resumed,
    voice: Voice,
    watch: Watch,
    recogniser: Recogniser | None,
    *,
    source: str,
    time: datetime | None = None,
    visit: Mapping[str, str] | None = None,
) -> tuple[Conversation, Reopened]:
    """A session that was left, and the event that reopens it. Meters and policy are those it began with.

    ``visit`` is what the visit is known by from now on, where that is something else, such as another technician.
    """
    policy = resumed.rebuilt.policy
    reopened = Reopened(
        time or Clock().now(),
        {
            **({"visit": dict(visit)} if visit else {}),
            "handsfree": __version__,
            "settings": _settings(policy, recogniser, source, voice),
            "set_aside": [asdict(torn) for torn in resumed.set_aside],
        },
    )
    return _joined(resumed.rebuilt.session, resumed.journal, voice, watch, recogniser, policy), reopened


def _settings(policy: Policy, recogniser: Recogniser | None, source: str, voice: Voice) -> dict[str, object]:
    return {
        "policy": asdict(policy),
        "recogniser": recogniser.name if recogniser is not None else "typed",
        "input": source,
        "voice": voice.medium,
    }


def _joined(
    session: Session, journal: Journal, voice: Voice, watch: Watch, recogniser: Recogniser | None, policy: Policy
) -> Conversation:
    conversation = Conversation(session, journal, voice, watch, recogniser, policy.doubt)
    if isinstance(recogniser, Apart):
        recogniser.tell = conversation.note
    return conversation


def heard(
    utterance: Utterance,
    time: datetime,
    *,
    clip: str,
    digest: str,
    speech: Audio,
    received: Reception | None = None,
    early: bool = False,
    unasked: bool = False,
    left_off: tuple[str, ...] = (),
    said_again: tuple[str, ...] = (),
) -> Heard:
    """The event that an utterance is to the session."""
    return Heard(
        time=time,
        text=utterance.text,
        confidence=None if utterance.confidence is None else round(utterance.confidence, 3),
        engine=utterance.engine,
        alternatives=tuple((other.text, round(other.score, 3)) for other in utterance.alternatives),
        clip=clip,
        clip_sha256=digest,
        offset=round(speech.start, 3),
        seconds=round(speech.seconds, 3),
        reception=received,
        early=early,
        unasked=unasked,
        left_off=left_off,
        said_again=said_again,
    )


def from_recording(conversation: Conversation, audio: Audio, opened: Started | Reopened) -> None:
    """Runs a session on a recording at full speed; times are those of the recording, from the session's start on."""
    ear = conversation.ear
    assert ear is not None
    with _ended(conversation, Clock()):
        conversation.handle(opened)
        answered = 0.0
        for hearing in ear.all(
            audio, before=lambda seconds: conversation.wake(opened.time + timedelta(seconds=seconds))
        ):
            speech = hearing.speech
            time = opened.time + timedelta(seconds=speech.start + speech.seconds)
            conversation.take(hearing, time, early=speech.start + PRE_ROLL < answered)
            answered = ear.heard_until + UNDERSTOOD
            if conversation.over:
                return
        conversation.handle(Ended(opened.time + timedelta(seconds=audio.seconds), "the recording is over"))


# A line of a transcript: minutes and seconds from the session's start, and what was said then.
_STAMPED = re.compile(r"\[(\d{1,4}):([0-5]\d)\]\s*(.*)")


def from_text(
    conversation: Conversation, lines: Iterable[str | None], opened: Started | Reopened, clock: Clock | None = None
) -> None:
    """Runs a session on typed lines; None stands for a moment in which nothing was typed.

    A line may open with the time it was said at, from the session's start: "[12:30] four point two". From the first
    such line on, times are those of the transcript; a line without one follows a second after the one before.
    """
    clock = clock or Clock()
    with _ended(conversation, clock):
        conversation.handle(opened)
        time, engine = opened.time, "typed"
        for line in lines:
            text = "" if line is None else line.strip()
            stamped = _STAMPED.fullmatch(text)
            if stamped is not None:
                engine, text = "transcript", stamped[3]
                time = max(time, opened.time + timedelta(minutes=int(stamped[1]), seconds=int(stamped[2])))
            elif engine == "typed":
                time = clock.now()
                if told := clock.was_set():
                    conversation.note(told)
            elif line is not None:
                time += timedelta(seconds=1)
            if engine == "transcript":
                _catch_up(conversation, time)
            conversation.wake(time)
            if line is None:
                conversation.tell(time)
            else:
                conversation.handle(Heard(time, text, engine=engine))
            if conversation.over:
                return
        conversation.handle(Ended(time if engine == "transcript" else clock.now(), "the input is over"))


def _catch_up(conversation: Conversation, time: datetime) -> None:
    """Everything that fell due up to a time, each at its own."""
    last = None
    while (due := conversation.session.due) is not None and due <= time and due != last:
        conversation.wake(due)
        last = due


def from_microphone(
    conversation: Conversation,
    device: str | int | None,
    opened: Started | Reopened,
    *,
    headset: bool = False,
    clock: Clock | None = None,
) -> float:
    """Runs a session live. Gives the seconds of sound that were lost in the drivers or on the way.

    With an open loudspeaker the microphone is deaf while the tool speaks, so it never hears itself; with a headset it
    goes on listening: a prompt is held where it becomes louder, and cut off by speech. Where BLEEDS prompts were cut
    off and nothing was understood meanwhile, the microphone hears the loudspeaker: from then on it is deaf as well. A
    device that is lost, muted or back is told, and the session waits for it. Raises DeviceError where the microphone
    cannot be opened, RecogniserError where the recogniser cannot go on; what was recorded until then stands.
    """
    ear = conversation.ear
    assert ear is not None
    clock = clock or Clock()
    with _ended(conversation, clock):
        conversation.handle(opened)  # before the microphone is open: the first prompt need not wait for it
        gc.collect()
        gc.freeze()  # what there is by now stays: to go through it all takes 0.05 s, in the middle of an answer
        with microphone(device, lambda: conversation.speaking and not headset) as heard_from:
            told, lost, silent, onset = 0.0, 0.0, 0.0, Onset()
            answered = 0.0
            unmuted: Change | None = None
            wait = 0.0
            cut_off = 0  # prompts since something was understood
            for event in heard_from.events():
                if isinstance(event, Change):
                    conversation.go_on()  # nobody is about to speak, and a lost device is waited for until it is quiet
                    if event.kind == "unmuted":  # by whoever is about to speak, and is not to be talked down
                        unmuted, wait = event, UNMUTED
                    else:
                        unmuted = None
                        conversation.handle(Fault(clock.now(), event.text))
                    continue
                wait -= len(event.samples) / RATE
                if unmuted is not None and wait <= 0 and not ear.speaking:
                    conversation.handle(Fault(clock.now(), unmuted.text))
                    unmuted = None
                for hearing in ear.feed(event.samples, gap=event.gap):
                    began = hearing.speech.start + PRE_ROLL
                    early = began < answered
                    unasked = conversation.session.instructing and began < conversation.instructed
                    conversation.take(hearing, clock.now(), early=early, unasked=unasked)
                    answered = ear.heard_until + heard_from.behind + UNDERSTOOD
                    cut_off = 0 if conversation.understood else cut_off
                    if conversation.over:
                        return heard_from.lost
                conversation.follow(ear.heard_until + heard_from.behind)
                stirs = headset and onset.begins(event.samples, speech=ear.speaking)
                if not ear.speaking:
                    conversation.hold() if stirs and conversation.speaking else conversation.go_on()
                    conversation.resume()
                elif headset and conversation.speaking:
                    conversation.hush()
                    cut_off += 1
                    if cut_off == BLEEDS:
                        headset = False
                        conversation.handle(Fault(clock.now(), _BLEEDS))
                silent -= len(event.samples) / RATE
                lost = heard_from.lost
                if lost > told and silent <= 0:
                    told, silent = lost, TOLD_AGAIN_AFTER
                    conversation.note(f"Sound was lost: {lost:.2f} seconds in all. Say it again.")
                if was_set := clock.was_set():
                    conversation.note(was_set)
                conversation.wake(clock.now())
                conversation.tell(clock.now())
                if conversation.over:  # the disk has taken the finding at last
                    break
            return lost


@contextmanager
def _ended(conversation: Conversation, clock: Clock) -> Iterator[None]:
    """A session that is interrupted, or loses its recogniser or its screen, says so in its record first.

    Raises JournalError, with what is not in it, where the record cannot be written when the session ends.
    """
    try:
        try:
            yield
        except (KeyboardInterrupt, DeviceError, RecogniserError, OSError) as error:
            conversation.hush()
            with suppress(OSError):  # a screen that has gone cannot show this either; it is on record before that
                conversation.handle(Ended(clock.now(), str(error) or "interrupted"))
            conversation.close()
            raise
    except DiskError as error:
        raise JournalError(conversation.give_up(error)) from error
