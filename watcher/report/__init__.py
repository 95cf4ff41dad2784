"""Reports on a site for people: pure, from facts and judgements to answers and words."""
