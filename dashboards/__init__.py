"""The board in the browser, its JSON API and its charts.

May import `ingest`, `models` and `alerts`, never `dewline`. Start reading at `app.py` (what is joined to
what), then `fleet_rows.py` (what the first page says) and `pages/`.
"""
