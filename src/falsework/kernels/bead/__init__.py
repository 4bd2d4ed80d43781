"""Beads that a machine lays: from the bytes of its program to what each strand rests on."""
