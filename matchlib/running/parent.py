"""A process that is not to outlive the one that started it."""

import os
import threading


def end_with_parent() -> None:
    """End this process when the one of :mod:`multiprocessing` that started it has ended, however that ended."""
    threading.Thread(target=_wait_for_parent, daemon=True).start()


def _wait_for_parent() -> None:
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
