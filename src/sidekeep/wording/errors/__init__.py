"""The sentences of errors, by code."""
