"""A keeper's first evening, run in a machine under test: ``evening.py LIFT COMMAND…`` answers
`stillwell init` at a terminal, with one probe and one float, as a person does who reads what it
asks. LIFT is what moves the float, a line of shell.

Prints a line of JSON: how many answers were typed, in how many seconds, how it ended, what it said.
"""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

GENEROUS_S = 120.0
PROMPT = r"\]: $"
HAND = None
"""Stands for the hand at the float."""
ANSWERS = (
    (f"time zone.*{PROMPT}", ""),
    (f"How much water.*{PROMPT}", "18 gal"),
    (f"return chamber.*{PROMPT}", "7 x 3.5 in"),
    (f"heater.*{PROMPT}", "75"),
    (f"lamp.*{PROMPT}", "12-22"),
    (f"evaporates.*{PROMPT}", ""),
    ("becomes water-a.*Lift a float", HAND),
    (f"moved.*Where does it close.*{PROMPT}", ""),
    ("Lift the next", ""),
    (f"Where shall messages go.*{PROMPT}", "ntfy://127.0.0.1:9000/tank"),
    (f"It took the test notice.*Has it arrived.*{PROMPT}", ""),
    (f"Start the service now.*{PROMPT}", ""),
)


def main(lift: str, command: list[str]) -> None:
    began = time.monotonic()
    child, handle = pty.fork()
    if child == 0:
        os.environ |= {"COLUMNS": "80", "TZ": "America/New_York", "TERM": "dumb"}
        os.execvp(command[0], command)
    said, read, typed = "", 0, 0
    waiting = list(ANSWERS)
    while select.select([handle], [], [], GENEROUS_S)[0]:
        try:
            said += os.read(handle, 4096).decode("utf-8", "replace")
        except OSError:  # it has ended
            break
        if waiting and re.search(waiting[0][0], said[read:], re.DOTALL):
            answer, read = waiting.pop(0)[1], len(said)
            if answer is HAND:
                subprocess.run(["sh", "-c", lift], check=True)
            else:
                typed += 1
                os.write(handle, f"{answer}\n".encode())
    else:
        os.kill(child, signal.SIGKILL)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    seconds = time.monotonic() - began
    told = {"answers": typed, "left": len(waiting), "seconds": seconds, "status": status}
    print(json.dumps({**told, "said": said}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
