"""Texts made to become an element, a script, a formula, an address or a template where something fails to escape them.

They are combined, not listed: what breaks out of a context, with what it would put there, in many spellings. Each has a
mark of its own, `zq<number>q`, as an attribute where it is markup: so wherever it comes through as more than text, the
mark is in the name of an element or attribute, and no allowed element of a page can hide it.
"""

import re
from collections.abc import Iterator
from itertools import product

MARK = re.compile(r"zq(\d+)q", re.IGNORECASE)
"""A payload's mark: lot and batch numbers come in upper case."""
N_PAYLOADS = 1000

_BREAKS = (
    *("", '">', "'>", "`>", "</style>", "</title>", "</script>", "-->", "]]>", "?>", "</text></svg>", "</p></main>"),
    *("</td></tr></table>", "</textarea>", '\\">', "%22%3E", "&quot;&gt;", '" x="\x00">', "<", "<<", "}}%}#}"),
)
"""Out of an attribute, an element, a comment, a drawing, or a template's mark."""
_MARKUP = (
    *("<script @>alert(1)</script>", "<SCRIPT @ SRC=//x.example/a.js></SCRIPT>", "<script/@>alert`1`</script>"),
    *("<img @ src=x onerror=alert(1)>", "<img/@/src=x/onerror=alert(1)//", "<image @ href=x onerror=alert(1)>"),
    *("<svg @ onload=alert(1)>", "<svg @><script>alert(1)</script></svg>", "<svg @><use href=//x.example/a.svg#a>"),
    *("<svg @><style>*{color:red}</style>", "<svg @><foreignObject><iframe src=//x.example></foreignObject></svg>"),
    *("<math @><mtext><img src=x onerror=alert(1)>", '<math @><annotation-xml encoding="text/html"><p>x'),
    *("<iframe @ srcdoc='<script>alert(1)</script>'>", "<iframe @ src=javascript&colon;alert(1)>", "<object @ data=x>"),
    *(
        "<embed @ src=x>",
        "<video @><source onerror=alert(1)>",
        "<audio @ src=x onerror=alert(1)>",
        "<frameset @ onload=x>",
    ),
    *('<meta @ http-equiv="refresh" content="0;url=//x.example">', "<base @ href=//x.example/>"),
    *(
        '<meta @ http-equiv="Content-Security-Policy" content="default-src *">',
        "<link @ rel=stylesheet href=//x.example>",
    ),
    *(
        "<style @>@import '//x.example/a.css'</style>",
        "<form @ action=//x.example><button>x",
        "<input @ autofocus onfocus=x>",
    ),
    *("<a @ href=javascript:alert(1)>x</a>", "<a @ href='//x.example'>x</a>", "<details @ open ontoggle=alert(1)>"),
    *("<p @>x</p>", "<b @>x</b>", "<td @>x</td>", "<tr @><td>x", "<main @>x</main>", "<span @ style=position:fixed>x"),
    *(
        "<template @><script>alert(1)</script></template>",
        "<select @><option>x",
        "<plaintext @>",
        "<noscript @><p title='",
    ),
    *(
        "<textarea @>",
        "<title @>x</title>",
        "<!--@",
        "<![CDATA[@",
        "<?@ x?>",
        "<!DOCTYPE @>",
        "</@>",
        "<@>",
        "<x-@ is=x>",
    ),
)
_QUOTES = ('"', "'", "`", "\\'", "&quot;", "\u2019")
_EVENTS = (
    *("onmouseover=alert(1)", "onfocus=alert(1) autofocus", "onload=alert(1)", "style=background&colon;red"),
    *("onanimationstart=alert(1)", "href=javascript:alert(1)", "srcset=//x.example/a", "id=content", "class=signal"),
)
_SCHEMES = (
    *(
        "javascript:",
        "JaVaScRiPt:",
        "java\tscript:",
        "\x01javascript:",
        "javascript&colon;",
        "javascript%3A",
        "vbscript:",
    ),
    *(
        "data:text/html,",
        "data:image/svg+xml,",
        "file:///",
        "//x.example/",
        "ht" + "tp://x.example/",
        "\\\\x.example\\",
        "#",
    ),
)
_SCRIPTS = ("alert(1)", "<script>alert(1)</script>", "//%0aalert(1)")
_PATHS = (
    *("../", "..\\", "..%2f", "%2e%2e/", "....//", "/", "C:\\", "./", ".%00/", "~/", "?", "#", "%", "%zz", "&", "con."),
    *("%252e%252e%252f", "\uff0e\uff0e\uff0f", "nul ", ";", "*"),
)
_TEMPLATES = (
    *(("{{", "}}"), ("{%", "%}"), ("{#", "#}"), ("${", "}"), ("#{", "}"), ("<%=", "%>"), ("[[", "]]"), ("@{", "}")),
    *(("%(", ")s"), ("{", "}"), ("{0", "}"), ("\\g<", ">")),
)
_EXPRESSIONS = (
    *("7*7", "self.__class__", "config", "datum.x", "datum['level']", 'constructor("alert(1)")()', "''|safe", "level"),
    *("loop", '"signal": "width"', "toString()"),
)
_LEADS = (
    "=",
    "+",
    "-",
    "@",
    "\t=",
    "\r=",
    "\n=",
    " =",
    "'=",
    '"=',
    '"",=',
    ";=",
    "\uff1d",
    "\uff0b",
    "\uff0d",
    "\uff20",
    "\u00a0=",
)
_FORMULAS = (
    *("1+1", "SUM(A1,1)", 'HYPERLINK("//x.example","x")', "cmd|'/C calc'!A0", 'WEBSERVICE("//x.example")', "1", "-1"),
    *('IMPORTXML("//x.example";"//a")', 'DDE("cmd";"/C calc";"x")', "'file'#$A.A1", "_xlfn.CONCAT(A1)", "1e9"),
)
_SPELLINGS = (
    *(("&lt;", "&gt;"), ("&#60;", "&#62;"), ("&#x3c;", "&#x3e;"), ("&LT", "&GT"), ("&amp;lt;", "&amp;gt;")),
    *(("\\u003c", "\\u003e"), ("\\x3c", "\\x3e"), ("%3C", "%3E"), ("+ADw-", "+AD4-"), ("\uff1c", "\uff1e")),
    *(("\u2039", "\u203a"), ("<\u200b", ">"), ("_x003C_", "_x003E_"), ("\\74", "\\76"), ("&#0000060", "&#0000062")),
)
_SPELT = ("script", "img src=x onerror=alert(1)", "/td", "!--")
_CHARACTERS = (
    *"\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c\u200b\u200d\u00ad\ufeff\u2028\u2029",
    *"\x00\x01\x07\x08\x0b\x0c\x0e\x1b\x1f\x7f\x80\x85\x9b\u00a0\u3000\ue000\ue001\ufffd\ufffe\uffff\U0001fffe\U0010ffff",
    *(
        "e" + 40 * "\u0301",
        "\u0336" * 9,
        "\u05d0\u05d1",
        "\u0645\u0631",
        "\U0001f469\u200d\U0001f52c",
        "\x1b[31m",
        "\r\n",
    ),
    *("[bold]", "[/]", "[link=//x.example]", '","', '";"', "\n\n", "\t", "\\", "\\n", "'", '"', '""', "&", "|", "^"),
)
_STYLES = (
    *(
        "}*{background:url(//x.example/)}",
        "/*",
        "*/",
        ";color:red",
        "url(#",
        "url(//x.example/)",
        "expression(alert(1))",
    ),
    *("@import '//x.example';", "var(--ink)", "#a0b0c1", "\\3c/style\\3e", "!important", "--ink", ":root{--ink:red}"),
)
_LENGTHS = (150, 199, 200, 201, 5_000)
_REPEATED = ("W", "<b>", "&", '"', "=1", "\u202e", "\u0645", " x", "/", "{{")


def payloads(n: int = N_PAYLOADS) -> list[str]:
    """So many different payloads, evenly of every family; the same ones each time."""
    every = [text for family in _families() for text in family]
    if n > len(every):
        raise ValueError(f"there are {len(every)} payloads, not {n}")
    chosen = [every[at * len(every) // n] for at in range(n)]
    return [text.replace("@@", f"zq{at}q") for at, text in enumerate(chosen)]


def _families() -> Iterator[list[str]]:
    """Each family's texts, `@@` where the mark goes."""
    markup = [
        text.replace("@", "@@", 1) if "@import" not in text else text.replace(" @>", " @@>", 1) for text in _MARKUP
    ]
    yield ["".join(pair) for pair in product(_BREAKS, markup)]
    yield [f"x{quote} @@={quote}1{quote} {event} {quote}" for quote, event in product(_QUOTES, _EVENTS)]
    yield [f"{scheme}{script}//@@" for scheme, script in product(_SCHEMES, _SCRIPTS)]
    yield [f"{path * times}@@{end}" for path, times, end in product(_PATHS, (1, 6), ("", ".html"))]
    yield [f"{left}{inner}{right}@@" for (left, right), inner in product(_TEMPLATES, _EXPRESSIONS)]
    yield [f'{lead}{formula}&"@@"' for lead, formula in product(_LEADS, _FORMULAS)]
    yield [f"{left}{inner} @@{right}" for (left, right), inner in product(_SPELLINGS, _SPELT)]
    yield [text for character in _CHARACTERS for text in (f"{character}@@", f"a{character}@@", f"@@{character}b")]
    yield [
        f"{lead}{style} @@" for lead, style in product(("", '"', "</style>"), (s.replace("@)", "@@)") for s in _STYLES))
    ]
    yield [f"@@{(text * length)[: length - 6]}" for text, length in product(_REPEATED, _LENGTHS)]
