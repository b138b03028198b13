"""The emulator of adapter.py with one mistake in it: V is taken from the carry.

carrywave compare --python wrong.py:execute
"""

import adapter
from emulator import Emulator


class Wrong(Emulator):
    """It believes that overflow and carry are the same."""

    def set_sum(self, m):
        super().set_sum(m)
        self.v = self.c


adapter.emulator = Wrong(adapter.memory.__getitem__, adapter.write)
execute = adapter.execute
