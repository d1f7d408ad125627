"""What was written down, by whom and when, so that nothing of it is lost or changed unseen?

Entries on disk in a chain, people, audit, backup; two databases. What entries mean is the business of ``ward``.
"""
