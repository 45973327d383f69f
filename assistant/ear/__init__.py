"""From sound to words: where an utterance ends, what was heard, how sure. Pure."""
