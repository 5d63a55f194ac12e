"""A virtual screen for tests and benchmarks of the window, so that no window is seen."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess

SIZE = "1600x1000"


def start_virtual_screen(size: str = SIZE) -> str:
    """Start Xvfb of a size, WIDTHxHEIGHT, point Qt to it and return its display.

    It ends with the last of its windows.

    Raises RuntimeError where Xvfb is not installed.
    """
    program = shutil.which("Xvfb")
    if program is None:
        raise RuntimeError(
            "The window needs Xvfb here. Install it: apt-get install xvfb (see .ci/system-packages)."
        )
    reading, writing = os.pipe()
    options = ["-displayfd", str(writing), "-screen", "0", f"{size}x24", "-nolisten", "tcp", "-terminate"]
    # A shell starts it and is gone, so that nobody has to wait for it.
    command = shlex.join([program, *options]) + " >/dev/null 2>&1 &"
    subprocess.run(["sh", "-c", command], pass_fds=(writing,), check=True)
    os.close(writing)
    with os.fdopen(reading) as answer:
        display = f":{answer.readline().strip()}"
    os.environ |= {"DISPLAY": display, "QT_QPA_PLATFORM": "xcb"}
    return display
