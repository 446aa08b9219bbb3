"""The loop: joins one session to its journal, its voice and its ear.

The one rule: what the session records is on the disk before what it says is spoken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

from handsfree import __version__
from handsfree.procedure.load import Loaded
from handsfree.session.events import Act, Close, Ended, Event, Fault, Heard, Listen, Record, Say, SpeakRate, Started
from handsfree.session.journal import Journal
from handsfree.session.machine import Policy, Session
from handsfree.sound.audio import flac
from handsfree.sound.devices import DeviceError, microphone
from handsfree.sound.endpoint import Endpointer, Speech
from handsfree.sound.protocol import RATE, Audio, Recogniser, Utterance
from handsfree.sound.voice import SilentVoice, Voice, VoiceError

Watch = Callable[[Event, Sequence[Act]], None]


class Conversation:
    """A session with its edges. ``watch`` is told of every event and its acts once they are on record."""

    def __init__(
        self, session: Session, journal: Journal, voice: Voice, watch: Watch, recogniser: Recogniser | None = None
    ) -> None:
        self.session = session
        self._journal = journal
        self._voice = voice
        self._watch = watch
        self._recogniser = recogniser
        self._fault: str | None = None

    def handle(self, event: Event) -> None:
        """Takes one event to the session and carries out its acts.

        Raises JournalError where the record cannot be kept; nothing is spoken then.
        """
        acts = self.session.handle(event)
        for act in acts:
            if isinstance(act, Record):
                self._journal.append(event.time, act.mark, act.data)
        self._journal.flush()
        self._watch(event, acts)
        for act in acts:
            match act:
                case Say(text=text):
                    self._say(text)
                case SpeakRate(factor=factor):
                    self._voice.rate(factor)
                case Listen(what=what) if self._recogniser is not None:
                    self._recogniser.open(what)
                case Record() | Close() | Listen():
                    pass
        if self._fault is not None:
            fault, self._fault = self._fault, None
            self.handle(Fault(event.time, fault))

    def _say(self, text: str) -> None:
        try:
            self._voice.say(text)
        except VoiceError as error:
            # Whoever cannot hear must be told in writing; the session goes on.
            self._voice.close()
            self._voice = SilentVoice()
            self._fault = f"Prompts are no longer spoken: {error}."

    def close(self) -> None:
        """Lets the voice finish and closes the record."""
        with suppress(VoiceError):  # the record is complete; there is nobody left to tell aloud
            self._voice.wait()
        self._voice.close()
        self._journal.close()

    @property
    def speaking(self) -> bool:
        return self._voice.speaking

    def hush(self) -> None:
        """Cuts off what is being spoken."""
        self._voice.stop()

    def hear(self, speech: Speech, time: datetime) -> None:
        """Recognises one utterance, keeps its clip and takes it to the session."""
        assert self._recogniser is not None
        # What was cut is not even tried: its words may be half of something else.
        utterance = Utterance("", None, self._recogniser.name) if speech.cut else self._recogniser.hear(speech)
        clip, digest = self._journal.keep_clip(flac(speech))
        self.handle(heard(utterance, time, clip=clip, digest=digest, speech=speech))


def begin(
    loaded: Loaded,
    folder: Path,
    voice: Voice,
    watch: Watch,
    recogniser: Recogniser | None,
    *,
    source: str,
    time: datetime | None = None,
) -> tuple[Conversation, Started]:
    """A new session in a new folder, and the event that opens it. Raises JournalError for a folder it cannot use."""
    procedure, policy = loaded.procedure, Policy()
    journal = Journal.create(folder, loaded.source)
    opened = Started(
        time or datetime.now(UTC),
        {
            "handsfree": __version__,
            "procedure": {
                "id": procedure.procedure,
                "title": procedure.title,
                "edition": procedure.edition,
                "equipment": procedure.equipment,
                "sha256": loaded.sha256,
            },
            "settings": {
                "policy": asdict(policy),
                "recogniser": recogniser.name if recogniser is not None else "typed",
                "input": source,
            },
        },
    )
    return Conversation(Session(procedure, policy), journal, voice, watch, recogniser), opened


def heard(utterance: Utterance, time: datetime, *, clip: str, digest: str, speech: Audio) -> Heard:
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
    )


def from_recording(conversation: Conversation, audio: Audio, opened: Started) -> None:
    """Runs a session on a recording at full speed; times are those of the recording, from the session's start on."""
    with _ended(conversation):
        conversation.handle(opened)
        for speech in _utterances(audio):
            conversation.hear(speech, opened.time + timedelta(seconds=speech.start + speech.seconds))
            if conversation.session.closed:
                return
        conversation.handle(Ended(opened.time + timedelta(seconds=audio.seconds), "the recording is over"))


def _utterances(audio: Audio) -> Iterator[Speech]:
    endpointer = Endpointer()
    for start in range(0, len(audio.samples), RATE):
        yield from endpointer.feed(audio.samples[start : start + RATE])
    yield from endpointer.flush()


def from_text(conversation: Conversation, lines: Iterable[str], opened: Started) -> None:
    """Runs a session on typed lines."""
    with _ended(conversation):
        conversation.handle(opened)
        for line in lines:
            conversation.handle(Heard(datetime.now(UTC), line.strip()))
            if conversation.session.closed:
                return
        conversation.handle(Ended(datetime.now(UTC), "the input is over"))


def from_microphone(
    conversation: Conversation, device: str | int | None, opened: Started, *, headset: bool = False
) -> None:
    """Runs a session live.

    With an open loudspeaker the microphone is deaf while the tool speaks, so it never hears itself; with a headset it
    goes on listening, and speech cuts the prompt off. Raises DeviceError where the microphone cannot be opened or is
    lost; what was recorded until then stands.
    """
    with _ended(conversation):
        conversation.handle(opened)  # before the microphone is open: the first prompt need not wait for it
        with microphone(device, lambda: conversation.speaking and not headset) as heard_from:
            endpointer = Endpointer()
            lost = 0
            for block in heard_from:
                found = endpointer.feed(block.samples, gap=block.gap)
                if headset and endpointer.speaking and conversation.speaking:
                    conversation.hush()
                for speech in found:
                    conversation.hear(speech, datetime.now(UTC))
                if heard_from.overruns > lost:
                    lost = heard_from.overruns
                    conversation.handle(
                        Fault(datetime.now(UTC), f"Sound was lost: {lost} blocks in all. Say it again.")
                    )
                if conversation.session.closed:
                    return


@contextmanager
def _ended(conversation: Conversation) -> Iterator[None]:
    """A session that is interrupted, or loses its microphone or its screen, says so in its record first."""
    try:
        yield
    except (KeyboardInterrupt, DeviceError, OSError) as error:
        conversation.hush()
        with suppress(OSError):  # a screen that has gone cannot show this either; it is on record before it is shown
            conversation.handle(Ended(datetime.now(UTC), str(error) or "interrupted"))
        conversation.close()
        raise
