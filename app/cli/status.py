"""Exit statuses; of several files the highest one counts."""

DONE = 0
NOTHING_FOUND = 1
WRONG_USAGE = 2
UNREADABLE = 3
# as a shell reports a process ended by these signals
INTERRUPTED = 130
PIPE_CLOSED = 141
