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
_SIGNAL = {"danger": "bold white on red", "warning": "bold black on dark_orange", "caution": "bold black on yellow"}


class Screen:
    """Prints events and acts as they come; give it to a conversation as its ``watch``."""

    def __init__(self, console: Console | None = None) -> None:
        self.console = console or Console(highlight=False)

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
        entered = [act.data["step"] for act in acts if isinstance(act, Record) and act.mark is Mark.ENTERED]
        for act in acts:
            if isinstance(act, Say):
                self._said(act, verdicts, entered)

    def _heard(self, event: Heard) -> None:
        line = Text("  « ", "dim")
        line.append(event.text or "(nothing understood)", "cyan" if event.text else "dim italic")
        if event.confidence is not None:
            line.append(f"  {event.confidence:.2f}", "dim")
        self.console.print(line)

    def _said(self, said: Say, verdicts: list[str | None], entered: list[str]) -> None:
        match said.about:
            case "instruction":
                title = entered[-1] if entered else None
                self.console.print(Panel(Text(said.text, "bold"), title=title, title_align="left", padding=(1, 3)))
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
