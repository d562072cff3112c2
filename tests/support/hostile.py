"""Texts that nobody should send: paths, scripts, formulas, huge ones, odd characters."""

from __future__ import annotations

from itertools import chain, islice, zip_longest

_PATHS = (
    "..", "../../etc/passwd", "..\\..\\windows\\win.ini", "/etc/passwd", "C:\\boot.ini",
    "%2e%2e%2f%2e%2e%2f", "....//....//", "\\\\server\\share", "file:///etc/passwd",
    "~/.ssh/id_rsa",
    "con", "nul.pdf", "a/b/../../c", "./", "//elsewhere.example", "sets/../../x",
    "documents/\x00.pdf",
    ".jobs", "0123456789abcdef", "SHA256SUMS",
)
_SCRIPTS = (
    "<script>alert(1)</script>", "<svg onload=alert(1)>", '"><img src=x onerror=alert(1)>',
    "javascript:alert(1)", "'-alert(1)-'", "</textarea><script>1</script>", "{{7*7}}", "{% raw %}",
    "${7*7}", "#{7*7}", "<%= 7*7 %>", "<!--", "]]>", "&lt;script&gt;", "<a href=//x>", "`id`",
    "$(id)", "; rm -rf /", "| id", "#import \"x\"", "#read(\"/etc/passwd\")",
)
_FORMULAS = (
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "=HYPERLINK(\"http://x\")", "=cmd|'/C calc'!A0", "\t=1",
    "\r=1", "' OR 1=1 --", "'; DROP TABLE events; --", "\" OR \"\"=\"", "1;2", "a,b\nc,d", "\"",
)
_NUMBERS = (
    "", " ", "-1", "--", "0..", "NaN", "nan", "Infinity", "-inf", "1e999", "1e-999", "9" * 400,
    "0x10",
    "1_000", "1,000.0", "1.2.3", "½", "²", "٨٠", "Ⅻ", "1e3000000", "99999999999999", "null",
    "true", "[]", "{}", "2031-02-30", "9999-12-31", "0000-00-00", "2031-03-20T09:00",
)
_LETTERS = (
    "\x00", "\n", "\r\n", "\x1b[31m", "\x7f", "\u202e\U0001f9b7", "\ufeff", "\u2028", "\ud7ff",
    "\uffff", "\U0010ffff", "é", "e\u0301", "İ", "ß", "ﬁ", "Ω", "\u200b", "a\u0300" * 300, "𝓐",
    "\u061c\u2066", "ｑｆ－１０４４", "QF\u20111044", "qf-1044", "QF-1044 ", "QF-1044\x00",
)
_HUGE = ("a" * 5000, "é" * 4000, "<" * 3000, "../" * 2000, "9" * 5000, "[" * 3000, "a b " * 1500)
_ENDS = ("", ".pdf", "/..", "%00", "<b>", "'", '"', "\n", "é", " ", "=", ";", "\\", "\u202e", "}}")


def _all() -> list[str]:
    every = chain.from_iterable(
        zip_longest(_PATHS, _SCRIPTS, _FORMULAS, _NUMBERS, _LETTERS, _HUGE, fillvalue="")
    )
    plain = list(dict.fromkeys(every))
    return list(islice(dict.fromkeys(f"{text}{end}" for end in _ENDS for text in plain), 500))


#: 500 of them, no two alike; kinds take turns.
HOSTILE = tuple(_all())
