"""Signals as a request to stop after the generation under way."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any


class StopSignals:
    """Ctrl-C, SIGTERM and a lost terminal as a request to stop; a second Ctrl-C or SIGTERM at once.

    SIGHUP stays ignored where it is (nohup). Raises KeyboardInterrupt at the second signal. Outside
    the main thread, where Python delivers no signals, it does nothing.

    Parameters
    ----------
    note : function of str
        Told, once, what happens.
    """

    def __init__(self, note: Callable[[str], None]) -> None:
        self.requested = False
        self._note = note
        self._before: dict[int, Any] = {}

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if self.requested:
            if number == signal.SIGHUP:
                return
            raise KeyboardInterrupt
        self.requested = True
        name = signal.Signals(number).name
        self._note(f"{name}: stopping after this generation; once more stops at once.")

    def __enter__(self) -> StopSignals:
        if threading.current_thread() is threading.main_thread():
            wanted = [signal.SIGINT, signal.SIGTERM]
            if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
                wanted.append(signal.SIGHUP)
            for number in wanted:
                self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
