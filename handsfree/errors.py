"""The one rule: an error that a person can mend is a ``PlainError``, and its text says what to do."""


class PlainError(Exception):
    """Its text is a sentence for the person at the tool: what is wrong, where, and what to do instead."""
