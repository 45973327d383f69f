"""Whether a test may stop a process as Ctrl-Z does."""

import os
import signal
import subprocess
import sys
import time


def can_be_stopped() -> bool:
    """Whether Ctrl-Z works here: not in a process group that no shell looks after (POSIX)."""
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        child.send_signal(signal.SIGTSTP)
        ends = time.monotonic() + 2
        while time.monotonic() < ends:
            pid, status = os.waitpid(child.pid, os.WUNTRACED | os.WNOHANG)
            if pid:
                return os.WIFSTOPPED(status)
            time.sleep(0.05)
        return False
    finally:
        child.kill()
        child.wait()
