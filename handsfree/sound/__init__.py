"""Everything that hears or speaks.

The voice-activity model's library works with OpenMP, which would wake four threads for each 32 ms of sound and have
them spin; one thread is four times as fast. OpenMP reads this once, when the first library that has it is loaded, so it
stands before every module of the room. Whoever sets the variable knows better.
"""

import os

os.environ.setdefault("OMP_THREAD_LIMIT", "1")
