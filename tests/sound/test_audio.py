"""Sound files: what is refused with a remedy, what is converted with a remark."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from handsfree.sound.audio import AudioError, dither, flac, read
from handsfree.sound.protocol import RATE

SPEECH = Path(__file__).parent / "speech"


def tone(rate: int = RATE, seconds: float = 1.0, hertz: float = 440.0, level: float = 0.3) -> np.ndarray:
    return level * np.sin(2 * np.pi * hertz * np.arange(round(rate * seconds)) / rate)


def refusal(path: Path, **limits: float) -> str:
    with pytest.raises(AudioError) as caught:
        read(path, **limits)
    return str(caught.value)


def test_a_16_khz_mono_file_comes_through_sample_by_sample(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).integers(-32768, 32768, RATE).astype(np.int16)
    soundfile.write(tmp_path / "a.wav", samples, RATE)
    audio, remarks = read(tmp_path / "a.wav")
    assert audio.samples.dtype == np.int16
    assert np.array_equal(audio.samples, samples)
    assert remarks == ()


@pytest.mark.parametrize(("rate", "name"), [(48_000, "48 kHz"), (44_100, "44.1 kHz"), (22_050, "22.05 kHz")])
def test_a_higher_rate_is_converted_with_a_remark(tmp_path: Path, rate: int, name: str) -> None:
    soundfile.write(tmp_path / "kitchen.wav", tone(rate), rate)
    audio, (remark,) = read(tmp_path / "kitchen.wav")
    assert len(audio.samples) == pytest.approx(RATE, abs=2)
    spectrum = np.abs(np.fft.rfft(audio.samples[:RATE]))
    assert spectrum.argmax() == pytest.approx(440, abs=1)
    assert "kitchen.wav" in remark
    assert f"{name} mono was converted" in remark
    assert "record 16 kHz mono" in remark


def test_stereo_is_averaged_with_a_remark(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.column_stack([tone(level=0.2), tone(level=0.4)]), RATE, subtype="FLOAT")
    audio, (remark,) = read(tmp_path / "a.wav")
    assert np.abs(audio.samples).max() == pytest.approx(0.3 * 32768, rel=0.01)
    assert "stereo" in remark


@pytest.mark.parametrize("other", [-1.0, 0.0])
def test_of_channels_that_cancel_or_are_dead_the_louder_is_kept(tmp_path: Path, other: float) -> None:
    soundfile.write(tmp_path / "a.wav", np.column_stack([other * 0.9 * tone(), tone()]), RATE, subtype="FLOAT")
    audio, _ = read(tmp_path / "a.wav")
    assert np.abs(audio.samples).max() == pytest.approx(0.3 * 32768, rel=0.01)


def test_clipping_is_remarked(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(level=1.5), RATE, subtype="FLOAT")
    audio, (remark,) = read(tmp_path / "a.wav")
    assert audio.samples.max() == 32767
    assert "clipped" in remark


def test_8_khz_is_refused_because_digits_are_misheard(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "phone.wav", tone(8000), 8000)
    assert "phone.wav: is sampled at 8 kHz" in (text := refusal(tmp_path / "phone.wav"))
    assert "record at 16 kHz" in text


def test_silence_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "zero.wav", np.zeros(RATE, np.int16), RATE)
    soundfile.write(tmp_path / "muted.wav", tone(level=0.0005), RATE)
    for name in ("zero.wav", "muted.wav"):
        assert "only silence; check that the microphone is on" in refusal(tmp_path / name)


def test_a_quiet_voice_is_not_silence(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "quiet.wav", tone(level=0.002), RATE)
    assert read(tmp_path / "quiet.wav")[1] == ()


def test_samples_that_are_not_numbers_are_refused(tmp_path: Path) -> None:
    samples = tone()
    samples[100] = np.nan
    soundfile.write(tmp_path / "nan.wav", samples, RATE, subtype="FLOAT")
    assert "not numbers; export it again" in refusal(tmp_path / "nan.wav")


def test_a_missing_file_a_folder_and_an_empty_file_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    assert "no such file; check the name" in refusal(tmp_path / "none.wav")
    assert "is a folder; name the sound files" in refusal(tmp_path)
    assert "is empty; record it again" in refusal(tmp_path / "empty.wav")


def test_a_file_without_samples_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.empty(0, np.int16), RATE)
    assert "holds no samples; record it again" in refusal(tmp_path / "a.wav")


@given(junk=st.binary(min_size=1, max_size=300))
def test_what_is_not_audio_is_refused_without_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes
) -> None:
    path = tmp_path_factory.mktemp("junk") / "notes.wav"
    path.write_bytes(junk)
    assert str(path) in refusal(path)


def test_text_is_not_audio(tmp_path: Path) -> None:
    (tmp_path / "notes.wav").write_text("five point two ohms\n")
    assert "is not a sound file that can be read" in (text := refusal(tmp_path / "notes.wav"))
    assert text.endswith("save it as WAV or FLAC")


@pytest.mark.parametrize("form", ["wav", "flac"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.95])
def test_a_file_that_was_cut_off_is_refused_because_half_a_reading_is_a_wrong_one(
    tmp_path: Path, form: str, share: float
) -> None:
    path = tmp_path / f"cut.{form}"
    soundfile.write(path, np.random.default_rng(2).normal(0, 0.1, 3 * RATE), RATE)
    whole = path.read_bytes()
    path.write_bytes(whole[: round(len(whole) * share)])
    assert "cut." in refusal(path)


def test_a_wav_written_to_a_pipe_does_not_know_its_length_and_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "pipe.wav"
    soundfile.write(path, tone(), RATE)
    data = bytearray(path.read_bytes())
    data[4:8] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    assert read(path)[0].seconds == 1.0


def test_a_file_longer_than_the_limit_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", tone(seconds=3), RATE)
    assert "lasts 3 s, more than the 2 s allowed" in refusal(tmp_path / "a.wav", longest=2.0)


def test_a_clip_kept_as_flac_is_the_same_clip(tmp_path: Path) -> None:
    audio, _ = read(SPEECH / "unable.flac")
    (tmp_path / "clip.flac").write_bytes(flac(audio))
    assert np.array_equal(read(tmp_path / "clip.flac")[0].samples, audio.samples)


def test_dither_is_faint_the_same_each_time_and_leaves_no_digital_silence() -> None:
    silence = np.zeros(RATE, np.int16)
    once, again = dither(silence), dither(silence)
    assert np.array_equal(once, again)
    assert len(once) == RATE
    assert np.abs(once).max() < 33  # a thousandth of full scale
    assert once.reshape(-1, 160).any(axis=1).all()


def test_dither_does_not_wrap_around_at_full_scale() -> None:
    full = np.array([32767, -32768] * 1000, np.int16)
    assert np.array_equal(np.sign(dither(full)), np.sign(full))
