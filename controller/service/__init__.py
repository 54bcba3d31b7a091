"""The control process: the loop, its clock, the watchdog, and what is kept over a restart."""
