"""The examples for writers in the README: the whole procedure is proved, and the parts say nothing that is refused."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import pytest

from handsfree.procedure.load import ProcedureError, loads
from handsfree.procedure.proof import advise, prove

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
EXAMPLES = [textwrap.dedent(text) for text in re.findall(r"```yaml\n(.*?)```", README, re.DOTALL)]
HEAD = """\
procedure: example
title: Example
edition: "1"
purpose: Example
equipment: Example
local_rules: The rules of the site come first
"""


def test_the_whole_procedure_is_proved_and_needs_no_advice() -> None:
    (whole,) = [text for text in EXAMPLES if text.startswith("procedure:")]
    loaded = loads(whole.encode(), "README.md")
    assert prove(loaded.procedure) == ()
    assert advise(loaded) == []


@pytest.mark.parametrize("text", [text for text in EXAMPLES if not text.startswith("procedure:")])
def test_a_part_says_nothing_that_is_refused(text: str) -> None:
    steps = text if "steps:" in text else f"steps:\n{text}"
    try:
        loads((HEAD + steps).encode(), "README.md")
    except ProcedureError as error:
        # The steps that a part speaks of may stand in the procedure around it.
        told = [str(problem) for problem in error.problems if "there is no step" not in problem.message]
        assert told == []
