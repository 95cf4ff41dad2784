"""The outbox to people: e-mail, or a folder."""
