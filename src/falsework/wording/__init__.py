"""Wording: every figure and sentence that a person reads, written in one place.

``figures`` writes numbers, durations, areas and lists. It knows nothing of what they are figures of, so every
room above may use it. The bench's page has the same in ``bench/page/js/words.js``; both are held to the table
``tests/data/wording.json``.
"""
