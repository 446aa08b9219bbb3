"""The session at a glance: a page for a phone or tablet propped at the machine. It shows and takes nothing."""
