"""What does a clinician see and do in a browser on the ward PC?

A face over one record: pages, forms and their security. It does no sums. ``app.create_app`` is the whole app over one
open record; ``listen.serve`` opens the door. Nothing is imported here: the engine's process needs no web server.
"""
