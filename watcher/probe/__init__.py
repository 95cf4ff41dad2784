"""What a device said when it was asked once, and what about it looks wrong. Pure: words and facts in, sentences out."""
