"""Sound files: reading them as the recognisers want them, and keeping clips.

The one rule: audio that cannot be trusted is refused with what to do about it; audio that had to be changed says so.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from handsfree.errors import PlainError
from handsfree.sound.protocol import RATE, Audio

LONGEST = 600.0  # seconds
LONGEST_VISIT = 7200.0  # seconds: half a gigabyte while it is read
SILENT = 10 ** (-60 / 20)  # of full scale; a microphone that is on has more noise than this
CANCELLING = 0.4  # of the louder channel's power; unlike channels average to half of it, a dead one to a quarter

_FULL_SCALE = 32768
_SIZE_UNKNOWN = 0x7FFF0000  # WAV written to a pipe says this or more for its length


class AudioError(PlainError):
    """A sound file that cannot be used; the text says which file, why and what to do."""


def read(path: Path, longest: float = LONGEST) -> tuple[Audio, tuple[str, ...]]:
    """A sound file as 16 kHz mono 16-bit audio, and remarks on what had to be changed.

    Takes what libsndfile reads: WAV, FLAC, Ogg, AIFF and others, at 16 kHz or more.
    Raises ``AudioError`` where there is no audio, none but silence, less than the file promises, more than ``longest``
    seconds, or a sampling rate below 16 kHz.
    """
    data, rate = _samples(path, longest)
    if not np.isfinite(data).all():
        raise AudioError(f"{path}: holds samples that are not numbers; export it again as 16-bit WAV or FLAC")
    remarks = []
    channels = data.shape[1]
    mono = _one_channel(data)
    if rate != RATE:
        mono = soxr.resample(mono, rate, RATE)
    if rate != RATE or channels > 1:
        kind = {1: "mono", 2: "stereo"}.get(channels, f"{channels}-channel sound")
        remarks.append(
            f"{path}: {rate / 1000:g} kHz {kind} was converted; record 16 kHz mono to keep what the microphone heard"
        )
    if np.abs(data).max() > 1:
        remarks.append(f"{path}: is louder than full scale and was clipped; record at a lower level")
    if np.abs(mono).max() < SILENT:
        raise AudioError(f"{path}: holds only silence; check that the microphone is on and not muted, and record again")
    return Audio(whole(mono * _FULL_SCALE)), tuple(remarks)


def whole(samples: NDArray[np.floating]) -> NDArray[np.int16]:
    """Samples of 16 bits; what leaves their range is cut off there."""
    rounded: NDArray[np.int16] = np.clip(np.round(samples), -_FULL_SCALE, _FULL_SCALE - 1).astype(np.int16)
    return rounded


def _samples(path: Path, longest: float) -> tuple[NDArray[np.float32], int]:
    """Frames by channels, full scale 1, and the sampling rate in Hz."""
    if path.is_dir():
        raise AudioError(f"{path}: is a folder; name the sound files in it")
    try:
        with path.open("rb") as file:
            head = file.read(12)
            size = file.seek(0, 2)
    except FileNotFoundError:
        raise AudioError(f"{path}: no such file; check the name and the folder") from None
    except OSError as error:
        raise AudioError(f"{path}: cannot be opened ({error.strerror}); check its permissions") from None
    if not size:
        raise AudioError(f"{path}: is empty; record it again")
    if _wav_is_short(head, size):
        raise _truncated(path)
    try:
        with soundfile.SoundFile(str(path)) as file:
            rate, frames = int(file.samplerate), int(file.frames)
            if rate < RATE:
                raise AudioError(
                    f"{path}: is sampled at {rate / 1000:g} kHz, where digits are misheard; record at 16 kHz or more"
                    " (a telephone or Bluetooth hands-free link cannot)"
                )
            if frames > longest * rate:
                raise AudioError(
                    f"{path}: lasts {frames / rate:.0f} s, more than the {longest:.0f} s allowed; cut it up"
                )
            data = file.read(dtype="float32", always_2d=True)
    except soundfile.LibsndfileError as error:
        reason = str(error.error_string).rstrip(".")
        raise AudioError(f"{path}: is not a sound file that can be read ({reason}); save it as WAV or FLAC") from None
    if len(data) < frames:
        raise _truncated(path)
    if not len(data):
        raise AudioError(f"{path}: holds no samples; record it again")
    return data, rate


def _wav_is_short(head: bytes, size: int) -> bool:
    """libsndfile quietly takes a WAV that was cut off for a shorter one; a reading cut off is a wrong reading."""
    promised = int.from_bytes(head[4:8], "little")
    return head[:4] == b"RIFF" and head[8:] == b"WAVE" and size - 8 < promised < _SIZE_UNKNOWN


def _truncated(path: Path) -> AudioError:
    return AudioError(f"{path}: ends before its header says it should; copy it again from where it was recorded")


def _one_channel(data: NDArray[np.float32]) -> NDArray[np.float32]:
    """The average of the channels, or the loudest one where they cancel each other or most of them are dead."""
    average: NDArray[np.float32] = data.mean(axis=1)
    power = (data.astype(np.float64) ** 2).mean(axis=0)
    if (average.astype(np.float64) ** 2).mean() < CANCELLING * power.max():
        return data[:, int(power.argmax())]
    return average


def flac(audio: Audio) -> bytes:
    """A clip as a FLAC file's bytes, lossless, 16 bits at 16 kHz."""
    buffer = io.BytesIO()
    soundfile.write(buffer, audio.samples, RATE, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()


def dither(samples: NDArray[np.int16]) -> NDArray[np.int16]:
    """The samples with faint noise (-81 dBFS), the same each time.

    Digital silence has no spectrum: its logarithm would swamp the cepstral mean that recognisers take off.
    """
    noisy = np.round(samples + np.random.default_rng(0).normal(0, 3, len(samples)))
    return np.clip(noisy, -_FULL_SCALE, _FULL_SCALE - 1).astype(np.int16)
