"""Workbooks for tests: written by a library, or put together by hand from XML, part by part."""

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence

import openpyxl

_SCHEMAS = "ht" + "tp://schemas.openxmlformats.org/"
_STRICT = "ht" + "tp://purl.oclc.org/ooxml/"
SHEET_PART = "xl/worksheets/sheet1.xml"
STRINGS_PART = "xl/sharedStrings.xml"
STYLES_PART = "xl/styles.xml"

Parts = dict[str, str | bytes]


def written_book(sheets: Mapping[str, Iterable[Sequence[object]]]) -> openpyxl.Workbook:
    """A library's workbook of these rows, to format and save with `saved`."""
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    return book


def saved(book: openpyxl.Workbook) -> bytes:
    """A library's workbook as the bytes of its file."""
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def zipped(parts: Mapping[str, str | bytes | Iterable[bytes]], *, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Parts as a zip; one may come in pieces, so that a large one is never held."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", method) as package:
        for name, content in parts.items():
            with package.open(name, "w") as part:
                for piece in [content] if isinstance(content, str | bytes) else content:
                    part.write(piece.encode() if isinstance(piece, str) else piece)
    return file.getvalue()


def hand_made(
    rows: str, *, after: str = "", strings: str = "", formats: Sequence[str] = (), properties: str = ""
) -> Parts:
    """The parts of a workbook with one sheet, `sales`, whose `sheetData` is these rows.

    `after` follows the rows; `strings` are `si` elements; cell format n + 1 shows numbers in the nth of `formats`, and
    format 0 has none; `properties` are attributes of `workbookPr`.
    """
    main, relations = f"{_SCHEMAS}spreadsheetml/2006/main", f"{_SCHEMAS}officeDocument/2006/relationships"
    codes = "".join(f'<numFmt numFmtId="{200 + at}" formatCode="{code}"/>' for at, code in enumerate(formats))
    cell_formats = "".join(f'<xf numFmtId="{200 + at}"/>' for at in range(len(formats)))
    return {
        "_rels/.rels": _relations([("rId1", f"{relations}/officeDocument", "xl/workbook.xml")]),
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{relations}"><workbookPr {properties}/>'
        '<sheets><sheet name="sales" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": _relations(
            [
                ("rId1", f"{relations}/worksheet", "worksheets/sheet1.xml"),
                ("rId2", f"{relations}/styles", "styles.xml"),
                ("rId3", f"{relations}/sharedStrings", "/xl/sharedStrings.xml"),
            ]
        ),
        SHEET_PART: f'<worksheet xmlns="{main}"><sheetData>{rows}</sheetData>{after}</worksheet>',
        STRINGS_PART: f'<sst xmlns="{main}">{strings}</sst>',
        STYLES_PART: f'<styleSheet xmlns="{main}"><numFmts>{codes}</numFmts>'
        "<fonts><font/></fonts><fills><fill><patternFill/></fill></fills><borders><border/></borders>"
        f'<cellStyleXfs><xf numFmtId="14"/></cellStyleXfs><cellXfs><xf numFmtId="0"/>{cell_formats}</cellXfs>'
        '<cellStyles><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
        '<dxfs><dxf><numFmt numFmtId="0" formatCode="yyyy"/></dxf></dxfs></styleSheet>',
    }


def content_types() -> Parts:
    """The part that says what the parts of a hand-made workbook are; other readers want it."""
    office = "application/vnd.openxmlformats"
    kinds = {
        "xl/workbook.xml": "sheet.main",
        SHEET_PART: "worksheet",
        STRINGS_PART: "sharedStrings",
        STYLES_PART: "styles",
    }
    lines = "".join(
        f'<Override PartName="/{part}" ContentType="{office}-officedocument.spreadsheetml.{kind}+xml"/>'
        for part, kind in kinds.items()
    )
    rels = f'<Default Extension="rels" ContentType="{office}-package.relationships+xml"/>'
    return {"[Content_Types].xml": f'<Types xmlns="{_SCHEMAS}package/2006/content-types">{rels}{lines}</Types>'}


def _relations(found: Iterable[tuple[str, str, str]]) -> str:
    lines = "".join(f'<Relationship Id="{name}" Type="{kind}" Target="{part}"/>' for name, kind, part in found)
    return f'<Relationships xmlns="{_SCHEMAS}package/2006/relationships">{lines}</Relationships>'


def without(parts: Parts, part: str) -> Parts:
    """Parts without one of them, and without what leads there."""
    name = part.rpartition("/")[2]
    leads = re.compile(rf'<Relationship [^>]*Target="[^"]*{re.escape(name)}"/>')
    return {key: leads.sub("", text) if isinstance(text, str) else text for key, text in parts.items() if key != part}


def strict(parts: Parts) -> Parts:
    """Parts in the namespaces of strict workbooks, all elements prefixed."""
    return {name: _strict_part(content) for name, content in parts.items() if isinstance(content, str)}


def _strict_part(text: str) -> str:
    text = re.sub(r"<(/?)(?=\w+[\s/>])", r"<\1x:", text).replace(" xmlns=", " xmlns:x=")
    text = text.replace(f"{_SCHEMAS}spreadsheetml/2006/main", f"{_STRICT}spreadsheetml/main")
    return text.replace(f"{_SCHEMAS}officeDocument/2006/relationships", f"{_STRICT}officeDocument/relationships")


def row(line: int | None, *cells: str) -> str:
    """A row of cells, without its number where that is None."""
    return f"<row>{''.join(cells)}</row>" if line is None else f'<row r="{line}">{"".join(cells)}</row>'


def cell(value: str, *, kind: str = "n", style: int = 0, name: str = "", formula: str = "") -> str:
    """A cell whose value is written as it is told."""
    at = f' r="{name}"' if name else ""
    how = f"<f>{formula}</f>" if formula else ""
    return f'<c{at} s="{style}" t="{kind}">{how}<v>{value}</v></c>'


def text(value: str, name: str = "") -> str:
    """A cell of text that stands in the sheet itself."""
    at = f' r="{name}"' if name else ""
    return f'<c{at} t="inlineStr"><is><t>{value}</t></is></c>'
