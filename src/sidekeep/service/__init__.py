"""The verbs a person does: the only room that joins the flow with files, shelf, devices and copies.

Modules load what they need; importing this package costs nothing.
"""
