"""Where readings and judgements are kept."""
