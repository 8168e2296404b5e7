"""Routines: named, acyclic graphs of steps on one machine, read from files or built in Python."""
