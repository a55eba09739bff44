"""Sentences as people say them, made into the sentences that the grammar of rules reads."""
