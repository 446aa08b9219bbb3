"""The session on a terminal: the step large, what was heard, what came of it.

The one rule: nothing is told by colour alone; every verdict and signal word stands there as a word.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from handsfree.session.events import Act, Ended, Event, Fault, Heard, Mark, Record, Say

_VERDICT = {
    "conforming": ("✓ conforming", "bold green"),
    "nonconforming": ("✗ NONCONFORMING", "bold red"),
    "undecided": ("? undecided", "bold yellow"),
}
# What is said with these entries stands out by a word before it.
_TAGS = {
    Mark.NOTED: ("NOTE", "answer"),
    Mark.MARKED: ("MARK", "status"),
    Mark.TIMER: ("TIMER", "status"),
    Mark.DEVIATION: ("DEVIATION", "answer"),
}
_SIGNAL = {"danger": "bold white on red", "warning": "bold black on dark_orange", "caution": "bold black on yellow"}


class Screen:
    """Prints events and acts as they come; give it to a conversation as its ``watch``."""

    def __init__(self, console: Console | None = None) -> None:
        self.console = console or Console(highlight=False)
        self._step = ""
        self._piece = ""

    def __call__(self, event: Event, acts: Sequence[Act]) -> None:
        match event:
            case Heard():
                self._heard(event)
            case Fault(what=what):
                self.console.print(Text(f"  ! {what}", "bold yellow"))
            case Ended(why=why):
                self.console.print(Text(f"  . {why}", "dim"))
            case _:
                pass
        verdicts = [act.data["verdict"] for act in acts if isinstance(act, Record) and act.mark is Mark.READING]
        tag, unchecked, instructions = ("", ""), False, list[str]()
        for act in acts:
            if isinstance(act, Record):
                tag = _TAGS.get(act.mark, tag)
                unchecked = unchecked or (act.mark is Mark.NOTED and not act.data["checked"])
                self._follow(act)
            if isinstance(act, Say) and act.about == "instruction":
                instructions.append(act.text)
                continue
            if isinstance(act, Say):
                self._instruct(instructions)
                word = tag[0] if tag[1] == act.about else ""
                self._said(act, verdicts, word, "(as heard, not checked)" if word == "NOTE" and unchecked else "")
                tag = ("", "")
        self._instruct(instructions)

    def _follow(self, record: Record) -> None:
        if record.mark is Mark.ENTERED:
            self._step, self._piece = record.data["step"], ""
        elif record.mark is Mark.PIECE:
            self._piece = f", piece {record.data['piece']} of {record.data['of']}"

    def _instruct(self, texts: list[str]) -> None:
        """One panel for what is said in one go: what an instruction is for, and its first piece."""
        if texts:
            title = f"{self._step}{self._piece}"
            self.console.print(Panel(Text("\n\n".join(texts), "bold"), title=title, title_align="left", padding=(1, 3)))
            texts.clear()

    def _heard(self, event: Heard) -> None:
        line = Text("  « ", "dim")
        line.append(event.text or "(nothing understood)", "cyan" if event.text else "dim italic")
        if event.confidence is not None:
            line.append(f"  {event.confidence:.2f}", "dim")
        self.console.print(line)

    def _said(self, said: Say, verdicts: list[str | None], tag: str, doubt: str) -> None:
        match said.about:
            case "caution":
                signal, _, text = said.text.partition("! ")
                line = Text("  ")
                line.append(f" {signal.upper()} ", _SIGNAL.get(signal.lower(), "bold white on blue"))
                line.append(f" {text}")
                self.console.print(line)
            case "reading":
                line = Text(f"  » {said.text}")
                if verdicts and (verdict := verdicts[-1]) is not None and f": {verdict}" in said.text:
                    words, style = _VERDICT[verdict]
                    line.append(f"  {words}", style)
                self.console.print(line)
            case "finding":
                self.console.print(Panel(Text(said.text, "bold"), border_style="bold", padding=(0, 3)))
            case "refused" | "asked again":
                self.console.print(Text(f"  » {said.text}", "yellow"))
            case _ if tag:
                line = Text("  » ")
                line.append(f" {tag} ", "reverse")
                line.append(f" {said.text} {doubt}".rstrip())
                self.console.print(line)
            case _:
                self.console.print(Text(f"  » {said.text}", "dim"))


def summary(rows: Sequence[tuple[str, str, str, str]]) -> Table:
    """The table that ends the demo: session, finding, readings, where the record is."""
    table = Table(title="Sessions", title_justify="left")
    for heading in ("session", "finding", "readings", "record"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*row)
    return table
