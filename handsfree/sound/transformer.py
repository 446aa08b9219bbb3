"""The speech-to-text network inside the package moonshine-voice, run one token at a time.

The one rule: this module knows tensors and tokens and nothing of grammars. It is used instead of the package's own
modules because those give the likeliest text only, and what is wanted is how likely each of many texts is.

Moonshine tiny: Jeffries et al., "Moonshine: Speech Recognition for Live Transcription and Voice Commands", 2024. The
English model and the package are under the MIT licence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import onnxruntime
from numpy.typing import NDArray

from handsfree.sound.protocol import RATE

START, END = 1, 2  # tokens
HEADS, WIDTH = 8, 36  # of the network's attention
SPACE = "\u2581"  # how the tokens write a space
SCALE = 32768.0
STRIDE = 384  # samples from one encoded frame to the next; the decoder wants its mask by the sample
TOKENS_A_SECOND = 6.5  # more is no speech; the network's authors stop there too (from memory)
SHORTEST = 4000  # samples; the network needs a quarter of a second to say anything

Floats = NDArray[np.float32]


class Tokens:
    """The network's pieces of text; byte pair encoding, where a pair with a lower number is joined first."""

    def __init__(self, path: Path) -> None:
        self.pieces = list(_pieces(path.read_bytes()))
        self._numbers = {piece: number for number, piece in enumerate(self.pieces)}  # letters after bytes: they win
        self._encoded: dict[str, tuple[int, ...]] = {}  # the words of the grammars come again and again

    def encode(self, text: str) -> tuple[int, ...]:
        """The tokens of a piece of text, as the network was trained to write it."""
        if text not in self._encoded:
            self._encoded[text] = self._encode(text)
        return self._encoded[text]

    def _encode(self, text: str) -> tuple[int, ...]:
        parts = [part for letter in text.replace(" ", SPACE) for part in self._smallest(letter.encode())]
        while True:
            joined = [self._numbers.get(one + two, -1) for one, two in pairwise(parts)]
            known = [number for number in joined if number >= 0]
            if not known:
                return tuple(self._numbers[part] for part in parts)
            at = joined.index(min(known))
            parts[at : at + 2] = [parts[at] + parts[at + 1]]

    def decode(self, tokens: list[int]) -> str:
        """The text of some tokens."""
        return b"".join(self.pieces[token] for token in tokens).decode(errors="replace").replace(SPACE, " ").strip()

    def _smallest(self, letter: bytes) -> list[bytes]:
        return [letter] if letter in self._numbers else [bytes([byte]) for byte in letter]


def _pieces(data: bytes) -> list[bytes]:
    """Each piece stands behind its length, which takes one byte, or two from 128 on."""
    pieces, at = [], 0
    while at < len(data):
        length = data[at]
        at += 1
        if length >= 128:
            length += data[at] * 128 - 128
            at += 1
        pieces.append(data[at : at + length])
        at += length
    return pieces


class Network:
    """The encoder and the decoder, loaded. ``threads`` is how many processors may work for it."""

    def __init__(self, model: Path, threads: int = 1) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # idle means idle
        options.enable_cpu_mem_arena = False
        self.tokens = Tokens(model / "tokenizer.bin")
        self._encoder = _session(model / "encoder_model.ort", options)
        self._decoder = _session(model / "decoder_model_merged.ort", options)
        self._outputs = [each.name for each in self._decoder.get_outputs()]
        self._empty = {
            each.name: np.zeros((1, HEADS, 0, WIDTH), np.float32)
            for each in self._decoder.get_inputs()
            if each.name.startswith("past")
        }

    def listen(self, samples: NDArray[np.int16], rows: int) -> Heard:
        """The sound as the network hears it, with room for ``rows`` texts at once, and the one text that is empty."""
        values = np.pad(samples, (0, max(0, SHORTEST - len(samples)))).astype(np.float32)[None] / np.float32(SCALE)
        (heard,) = self._encoder.run(None, {"input_values": values, "attention_mask": np.ones(values.shape, np.int64)})
        sound = Sound(np.repeat(heard, rows, 0), {})
        first = self._run(sound, np.array([START]), self._empty, begun=False)
        sound.keys.update({name: np.repeat(value, rows, 0) for name, value in first.items() if ".encoder." in name})
        return Heard(sound, self._written(first))

    def write(self, samples: NDArray[np.int16]) -> Free:
        """What the network makes of speech when nothing binds it: the likeliest token each time, until it ends.

        What does not end repeats itself, and is worth nothing.
        """
        sound, written = self.listen(samples, 1)
        most = math.ceil(TOKENS_A_SECOND * max(len(samples), RATE) / RATE)
        log, tokens = 0.0, list[int]()
        while len(tokens) < most:
            token = int(written.logs[0].argmax())
            log += float(written.logs[0, token])
            if token == END:
                return Free(self.tokens.decode(tokens), log, len(tokens) + 1)
            tokens.append(token)
            written = self.go_on(sound, written, [0], [token])
        return Free(self.tokens.decode(tokens), -math.inf, len(tokens))

    def go_on(self, sound: Sound, written: Written, rows: list[int], tokens: list[int]) -> Written:
        """Texts that are those of ``rows`` with one of ``tokens`` each behind it."""
        past = {name: value[rows] for name, value in written.keys.items()}
        past |= {name: value[: len(rows)] for name, value in sound.keys.items()}
        return self._written(self._run(sound, np.array(tokens), past, begun=True))

    def _run(
        self, sound: Sound, tokens: NDArray[np.int64], past: dict[str, Floats], *, begun: bool
    ) -> dict[str, Floats]:
        heard = sound.heard[: len(tokens)]
        given = {
            "encoder_attention_mask": np.ones((len(heard), heard.shape[1] * STRIDE), np.int64),
            "input_ids": tokens.astype(np.int64)[:, None],
            "encoder_hidden_states": heard,
            "use_cache_branch": np.array([begun]),
        }
        found = self._decoder.run(None, given | past)
        return {
            name.replace("present", "past_key_values"): each for name, each in zip(self._outputs, found, strict=True)
        }

    def _written(self, found: dict[str, Floats]) -> Written:
        return Written(found["logits"][:, -1], {name: each for name, each in found.items() if ".decoder." in name})


@dataclass(frozen=True, slots=True)
class Sound:
    """One utterance, encoded, once for each row."""

    heard: Floats
    keys: dict[str, Floats]

    @property
    def seconds(self) -> float:
        return float(self.heard.shape[1] * STRIDE / RATE)


@dataclass(frozen=True)
class Written:
    """Texts being written, a row each: the scores of what may come next, and what the network remembers of them."""

    scores: Floats
    keys: dict[str, Floats]

    @cached_property
    def logs(self) -> Floats:
        """Natural logarithms of the probability of each token as the next, by row."""
        most = self.scores.max(axis=1, keepdims=True)
        logs: Floats = self.scores - most - np.log(np.exp(self.scores - most).sum(axis=1, keepdims=True))
        return logs


class Free(NamedTuple):
    """A text with the natural logarithm of its probability and its number of tokens, the one that ends it included."""

    text: str
    log: float
    tokens: int


class Heard(NamedTuple):
    """An utterance, and the empty text from which every text about it begins."""

    sound: Sound
    empty: Written


def _session(path: Path, options: onnxruntime.SessionOptions) -> onnxruntime.InferenceSession:
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
