"""Which recogniser is used where none is asked for."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from handsfree.sound import engines
from handsfree.sound.engines import BOTH, MAKE, MOONSHINE, POCKETSPHINX, VOSK, WITH_A_MODEL


@pytest.mark.parametrize(
    ("network", "model", "used"),
    [(True, False, MOONSHINE), (True, True, BOTH), (False, False, POCKETSPHINX), (False, True, VOSK)],
)
def test_the_best_for_which_everything_is_there_is_used(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, network: bool, model: bool, used: str
) -> None:
    monkeypatch.setattr(engines, "network_folder", lambda: tmp_path if network else None)
    assert engines.default(tmp_path if model else None) == used
    assert used in MAKE
    assert (used in WITH_A_MODEL) == model


def test_asking_loads_no_engine(tmp_path: Path) -> None:
    for name in engines.MODEL_FILES:
        (tmp_path / "models" / "a" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "models" / "a" / name).write_text("x")
    asking = "from handsfree.sound import engines; print(engines.default(engines.find_model()))"
    loaded = "import sys; print([name for name in ('vosk', 'onnxruntime', 'pocketsphinx') if name in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", f"{asking}; {loaded}"],
        cwd=tmp_path,
        env={**os.environ, engines.VARIABLE: "default", "PYTHONPATH": str(Path(engines.__file__).parents[2])},
        capture_output=True,
        text=True,
        check=True,
    )
    used, modules = done.stdout.splitlines()
    assert used in (BOTH, VOSK)
    assert modules == "[]"
