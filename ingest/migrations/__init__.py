"""Schema steps of the operations database, run by `ingest.database`; never edited once released."""
