"""Killed or stopped at any instant: nothing that was reported done is lost, and every run comes to
its end; every stop signal ends the command, RF off."""
