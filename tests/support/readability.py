"""How old a reader must be to read a text with ease: the Flesch-Kincaid grade, and the age at which it is reached.

Kincaid JP, Fishburne RP, Rogers RL, Chissom BS (1975), Derivation of new readability formulas for Navy enlisted
personnel, Research Branch Report 8-75: grade = 0.39 words a sentence + 11.8 syllables a word - 15.59. A sentence is, as
in Flesch R (1949), The Art of Readable Writing, each unit that a full stop, colon, semicolon, question or exclamation
mark ends; figures and names made of them are words, but left out of the syllables (both from memory). A pupil of grade
n is about n + 5 years old. Syllables are counted by groups of vowels, which is right for some nine words in ten.
"""

import re

_ENDS = re.compile(r"[.:;?!]+(?=\s|$)")
_VOWELS = re.compile(r"[aeiouy]+")


def reading_age(text: str) -> float:
    """The age from which a text reads with ease, in years."""
    words = [word for word in re.findall(r"[\w’'/.-]+", text) if re.search(r"\w", word)]
    n_sentences = len([part for part in _ENDS.split(text) if part.strip()])
    spoken = [word for word in words if not re.search(r"\d", word)]
    grade = 0.39 * len(words) / n_sentences + 11.8 * sum(map(syllables, spoken)) / len(spoken) - 15.59
    return grade + 5


def syllables(word: str) -> int:
    """Syllables of an English word: groups of vowels, without a silent e at its end."""
    letters = re.sub("[^a-z]", "", word.lower())
    if letters.endswith("e") and not letters.endswith("le"):
        letters = letters[:-1]
    if letters.endswith("ed") and not letters.endswith(("ted", "ded")):
        letters = letters[:-2]
    return max(1, len(_VOWELS.findall(letters)))
