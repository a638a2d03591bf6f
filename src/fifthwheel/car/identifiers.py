"""How a name of `car.toml` becomes a word of the layout and of C++, in one way for all of them.

Accents fall off, letters become small, every run of other signs becomes one `_` ("Wheels & motion" is
`wheels_motion`). A word that would begin with a digit begins with `n`; one that C++ keeps for itself ends in `_`. A
type is the same word with capitals in place of `_`.
"""

from __future__ import annotations

import re
import unicodedata

from fifthwheel.errors import CarError

LONGEST = 48
"""Letters of a word of the layout."""

KEPT = frozenset((
    "alignas", "alignof", "and", "and_eq", "asm", "auto", "bitand", "bitor", "bool", "break", "case", "catch", "char",
    "char8_t", "char16_t", "char32_t", "class", "compl", "concept", "const", "consteval", "constexpr", "constinit",
    "const_cast", "continue", "co_await", "co_return", "co_yield", "decltype", "default", "delete", "do", "double",
    "dynamic_cast", "else", "enum", "explicit", "export", "extern", "false", "float", "for", "friend", "goto", "if",
    "inline", "int", "long", "mutable", "namespace", "new", "noexcept", "not", "not_eq", "nullptr", "operator", "or",
    "or_eq", "private", "protected", "public", "register", "reinterpret_cast", "requires", "return", "short",
    "signed", "sizeof", "static", "static_assert", "static_cast", "struct", "switch", "template", "this",
    "thread_local", "throw", "true", "try", "typedef", "typeid", "typename", "union", "unsigned", "using", "virtual",
    "void", "volatile", "wchar_t", "while", "xor", "xor_eq", "linux", "unix",
))  # fmt: skip
"""Keywords of C++20 (ISO/IEC 14882:2020, table 5), its other spellings of operators, and words that usual compilers
define on their own."""


def identifier(name: str, where: str = "") -> str:
    """Return the word for a name, 1 to 48 letters. Raises CarError, with `where` it stands, when none is left."""
    plain = "".join(sign for sign in unicodedata.normalize("NFKD", name) if not unicodedata.combining(sign))
    word = re.sub(r"[^a-z0-9]+", "_", plain.lower()).strip("_")
    if word[:1].isdigit():
        word = f"n{word}"
    if word in KEPT:
        word += "_"
    if not word or len(word) > LONGEST:
        raise CarError(
            "no word for the boards can be made of a name", where=where,
            expected=f"a name with letters or digits from a to z and 0 to 9, at most {LONGEST}", found=f"'{name}'",
            do="Choose another name",
        )  # fmt: skip
    return word


def type_word(word: str) -> str:
    """Return the word of a type: wheels_and_motion is WheelsAndMotion."""
    return "".join(part[:1].upper() + part[1:] for part in word.split("_"))


class Words:
    """The words of one scope, each with the place in car.toml that it came from."""

    def __init__(self, scope: str, reserved: tuple[str, ...] = ()) -> None:
        self.scope = scope
        self.taken: dict[str, tuple[str, str]] = dict.fromkeys(reserved, ("a word of fifthwheel's own", ""))

    def add(self, name: str, where: str) -> str:
        """Return the word for a name. Raises CarError with both places when another name has made it already."""
        word = identifier(name, where)
        return self.add_word(word, name, where)

    def add_word(self, word: str, name: str, where: str) -> str:
        """Take a word that was made of a name already. Raises as `add` does."""
        if word in self.taken:
            other, place = self.taken[word]
            at = f"'{other}' in {place}" if place else other
            raise CarError(
                f"two names become one word of {self.scope}", where=where,
                expected=f"a name that makes another word than {word}", found=f"'{name}', as {at} does",
                do="Change one of the two names",
            )  # fmt: skip
        self.taken[word] = (name, where)
        return word
