"""Benchmarks: long measurements on real music. ``./run bench`` runs all, ``./run bench NAME`` one."""
