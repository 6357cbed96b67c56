"""From findings to people: alarm life cycle, what each alarm tells, routing, e-mail, the durable outbox.

May import `ingest` and `models`. Start reading at `policy.py` (what changes), then `desk.py` (who does it).
Only `outbox.py`, `mailer.py` and `desk.py` do I/O.
"""
