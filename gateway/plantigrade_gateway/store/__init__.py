"""One SQLite file: sessions, record, results, insoles, outbox; small status files beside it."""
