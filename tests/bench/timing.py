"""Times of actions and of commands; other work on the machine only ever adds, so the best of some rounds counts."""

import os
import subprocess
import time

import numpy as np


def seconds(*actions, repeats=3):
    """Best time by the clock of each action over a few rounds of all; prints those of the processor, all threads counted."""
    spent = np.full((repeats, len(actions), 2), np.inf)
    for turn in range(repeats):
        for k, action in enumerate(actions):
            begun, used = time.perf_counter(), time.process_time()
            action()
            spent[turn, k] = time.perf_counter() - begun, time.process_time() - used
    best = spent.min(axis=0)
    print("\nprocessor:", ", ".join(f"{processor:.2f} s" for processor in best[:, 1]))
    return best[:, 0].tolist()


def of_command(*command):
    """Return wall and processor time of a command and its children [s]."""
    start, before = time.perf_counter(), os.times()
    subprocess.run([str(part) for part in command], check=True, capture_output=True)
    after = os.times()
    spent = after.children_user - before.children_user + after.children_system - before.children_system
    return time.perf_counter() - start, spent
