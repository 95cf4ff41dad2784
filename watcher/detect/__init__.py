"""Windows to verdicts; one file per detector, one registry. Pure."""
