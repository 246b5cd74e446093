"""Lines to add to the settings for a file that no source fits: what its head shows, and what a person must decide.

Nothing is guessed: where two readings fit, both are named and left commented out. Cells are looked at and never shown.
"""

import codecs
import csv
import io
import re
import unicodedata
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, time
from difflib import SequenceMatcher, get_close_matches
from functools import cache
from itertools import product

from pipeline.contract.columns import FALSE_WORDS, TRUE_WORDS, Column, Kind, Table
from pipeline.contract.tables import TABLES
from pipeline.settings import toml_value
from pipeline.sources import CLOCKS, JOINTS, format_pattern

HEAD_BYTES = 64 << 10
"""Bytes of a file that are looked at, at most."""
_VALUES = 50
"""Values of a column that are looked at, at most."""
_NEAR = 0.85
"""Likeness (`difflib`) from which a header counts as another spelling of a name; under it, unlike words meet."""
_SURE = 0.99
"""Likeness of a word of the trade to the column it stands for."""
_LONGEST_NAME = 60
_MOST_COLUMNS = 200
_FEWEST_KNOWN = 2
"""Names a first line must share with a table to be a header: a line of data would show what stands in cells."""
_TAB = "\t"
_NO_TEXT = (b"PK", b"PAR1", b"{", b"\xd0\xcf\x11\xe0")
"""How a zip (XLSX), Parquet, a JSON object and an old or encrypted workbook begin."""
_SERIAL = r"[2-7][0-9]{4}(\.[0-9]+)?"
"""A spreadsheet's day number, of the years 1954 to 2119."""
_ISO_TIME = r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]+)?)?(Z|[+-][0-9]{2}(:?[0-9]{2})?)?"
_ORDERS = (("YYYY", "MM", "DD"), ("DD", "MM", "YYYY"), ("MM", "DD", "YYYY"))
_DATE_FORMATS = (
    *(mark.join(parts) for mark, parts in product(("-", ".", "/", " ", ""), _ORDERS)),
    *(mark.join(part.replace("DD", "D").replace("MM", "M") for part in parts)
      for mark, parts in product(("-", ".", "/", " ", ". "), _ORDERS)),
)  # fmt: skip
_TIME_FORMATS = tuple("".join(parts) for parts in product(_DATE_FORMATS, JOINTS, CLOCKS))

# Words of trade and till for a column, in English, German, French, Spanish, Dutch and Italian: common practice, no
# source. None is a word that the contract allows as a value, so no line of data looks like a header. A gross amount is
# no net_amount, so words that leave open which it is are left out.
HEADINGS: dict[str, str] = {
    "procedure_id": "piercing no, piercing id, treatment id, Piercing-Nr, Behandlungs-Nr, id perçage, id piercing",
    "visit_id": "visit, visit no, Besuch, Besuchs-Nr, visite, no visite, visita, id visita, bezoek, bezoeknummer",
    "client_key": "client id, client no, customer, customer id, customer no, Kunde, Kunden-Nr, Kundennummer, "
    "no client, numéro client, cliente, id cliente, klant, klantnummer, codice cliente",
    "branch_id": "store, store id, shop, location, branch no, Filiale, Filial-Nr, Standort, magasin, boutique, tienda, "
    "sucursal, filiaal, vestiging, winkel, negozio, sede",
    "practitioner_id": "piercer, employee, staff, staff id, Mitarbeiter, Mitarbeiter-Nr, employé, perceur, empleado, "
    "medewerker, operatore, dipendente",
    "performed_at": "date, date time, pierced at, Datum, Datum Uhrzeit, Zeitpunkt, date heure, fecha, fecha hora, "
    "datum tijd, data, data ora",
    "ear": "side, Ohr, Seite, oreille, côté, oreja, lado, oor, zijde, orecchio, lato",
    "site": "placement, position, Stelle, Ohrstelle, emplacement, zona, ubicación, plaats, plek, posizione",
    "article_id": "article, stud, item, sku, Artikel, Artikel-Nr, Artikelnummer, référence, artículo, articolo",
    "lot_no": "lot, lot number, Charge, Chargen-Nr, Los-Nr, numéro de lot, lote, lotnummer, lotto, numero lotto",
    "pack_expiry": "expiry, expiry date, use by, Verfallsdatum, Ablaufdatum, haltbar bis, date de péremption, "
    "caducidad, vervaldatum, houdbaar tot, scadenza",
    "post_length_mm": "post length, length mm, Stablänge, Stiftlänge, longueur, longitud, lengte, lunghezza",
    "age_years": "age, Alter, âge, edad, leeftijd, età",
    "age_check": "age verification, Altersnachweis, Altersprüfung, contrôle âge, leeftijdscontrole",
    "consent": "Einwilligung, Einverständnis, consentement, consentimiento, toestemming, consenso",
    "aftercare_given": "advice given, Pflegehinweise, conseils, consejos, nazorgadvies, consigli",
    "immediate_event": "incident, Zwischenfall, incidente, voorval",
    "status": "state, Zustand, statut, état, estado, stato",
    "recorded_at": "updated at, modified, last modified, timestamp, erfasst am, geändert am, Zeitstempel, modifié le, "
    "modificado, gewijzigd op, modificato il",
    "follow_up_id": "contact id, contact no, Kontakt-Nr, Rückmeldungs-Nr, no contact, id contacto, contactnummer",
    "contacted_at": "contact date, date, Kontaktdatum, Datum, date contact, fecha, contactdatum, data contatto",
    "channel": "contact method, Kanal, Kontaktart, canal, kanaal, canale",
    "initiated_by": "initiator, asked by, ausgelöst von, initié par, iniciado por, initiatief, iniziato da",
    "outcome": "result, Ergebnis, résultat, resultado, resultaat, esito, risultato",
    "complication": "Komplikation, complicación, complicatie, complicanza",
    "onset_on": "onset, onset date, Beginn am, début, inicio, begonnen op, inizio",
    "severity": "Schwere, Schweregrad, gravité, sévérité, gravedad, ernst, gravità",
    "certainty": "Sicherheit, certitude, certeza, zekerheid, certezza",
    "clinician_seen": "doctor seen, Arztbesuch, médecin vu, visto por médico, arts gezien, visita medica",
    "stud_removed": "Stecker entfernt, bijou retiré, pendiente retirado, sieraad verwijderd, gioiello rimosso",
    "referred_same_day": "referred, überwiesen, orienté, derivado, doorverwezen, inviato",
    "resolved_on": "resolved, healed on, abgeheilt am, guéri le, curado, genezen op, guarito il",
    "revisit_id": "appointment id, appointment no, booking id, Termin-Nr, no rendez-vous, id cita, afspraaknummer",
    "purpose": "reason, Zweck, Anlass, motif, motivo, reden",
    "booked_at": "booking date, gebucht am, réservé le, reservado, geboekt op, prenotato il",
    "starts_at": "start, start time, appointment, Termin, rendez-vous, cita, afspraak, appuntamento, Datum, date, "
    "fecha",
    "reminder_sent": "reminder, Erinnerung, rappel, recordatorio, herinnering, promemoria",
    "sale_id": "receipt, receipt no, ticket, ticket no, transaction id, invoice no, Bon, Bon-Nr, Beleg, Beleg-Nr, "
    "Belegnummer, no ticket, numéro de ticket, recibo, bonnummer, kassabon, scontrino, numero scontrino",
    "line_no": "line, row, Position, Pos, Positions-Nr, Zeile, ligne, línea, regel, riga",
    "sold_at": "sale date, date, date time, Datum, Datum Uhrzeit, Verkaufsdatum, verkauft am, date de vente, fecha, "
    "fecha de venta, verkoopdatum, data, data vendita",
    "product_id": "product, product code, item, sku, Produkt, Produkt-Nr, Artikel, Artikel-Nr, Artikelnummer, produit, "
    "référence, producto, artículo, código, prodotto, articolo, codice prodotto",
    "batch_no": "batch, batch number, lot, Charge, Chargen-Nr, lote, partijnummer, lotto",
    "quantity": "qty, Menge, Anzahl, Stück, quantité, qté, cantidad, aantal, quantità, qtà",
    "net_amount": "net, net total, Netto, Nettobetrag, montant HT, total HT, neto, importe neto, nettobedrag, "
    "importo netto, imponibile",
    "currency": "Währung, devise, moneda, divisa, valuta",
    "line_type": "type, transaction type, Art, Belegart, Buchungsart, tipo, soort",
    "refund_of": "original receipt, Storno zu, Originalbeleg, ticket d'origine, ticket original, oorspronkelijke bon",
    "name": "Bezeichnung, nom, nombre, naam, nome",
    "region": "région, región, regio, regione, Gebiet",
    "timezone": "time zone, Zeitzone, fuseau horaire, zona horaria, tijdzone, fuso orario",
    "opened_on": "opening date, eröffnet am, ouvert le, abierto, geopend op, aperto il",
    "home_branch_id": "home branch, Stammfiliale, magasin principal, tienda principal, thuisfiliaal, sede principale",
    "started_on": "start date, Eintritt, date d'entrée, fecha de alta, in dienst, data assunzione",
    "ended_on": "end date, Austritt, date de sortie, fecha de baja, uit dienst, data uscita",
    "material": "Werkstoff, matière, matériau, materiaal, materiale",
    "clasp": "Verschluss, fermoir, cierre, sluiting, chiusura",
    "received_on": "received, delivery date, Wareneingang, geliefert am, date de réception, recibido, ontvangen op, "
    "ricevuto il",
    "expires_on": "expiry, expiry date, Verfallsdatum, Ablaufdatum, haltbar bis, date de péremption, caducidad, "
    "vervaldatum, houdbaar tot, scadenza",
    "counted_at": "count date, gezählt am, Zähldatum, Inventurdatum, compté le, contado, geteld op, contato il",
    "on_hand": "stock, Bestand, Lagerbestand, en stock, existencias, voorraad, giacenza",
    "spoiled": "waste, Ausschuss, perte, merma, bedorven, scarto",
    "category": "product group, Kategorie, Warengruppe, catégorie, categoría, categorie, categoria",
    "list_price": "Listenpreis, prix catalogue, precio de lista, catalogusprijs, prezzo di listino",
    "bundle_of": "part of, Teil von, partie de, parte de, onderdeel van, parte di",
}


@dataclass(frozen=True)
class _Head:
    """The head of a file as read with one delimiter: the first record of the usual width is the header."""

    delimiter: str
    skip_lines: int
    names: list[str]
    rows: list[list[str]]

    def values(self, at: int) -> list[str]:
        """The first values of a column, empty ones left out."""
        cells = (row[at].strip() for row in self.rows if len(row) > at)
        return [cell for cell in cells if cell][:_VALUES]


@dataclass(frozen=True)
class _Match:
    """A column of the contract and the place of the header that stands for it; likeness 1 is the same name."""

    column: Column
    at: int
    likeness: float


def suggest(name: str, head: bytes) -> str:
    """Lines of settings for a file that cannot be taken in as it is, ready to paste; always valid TOML.

    `name` is the file's path relative to the inbox, `head` its first bytes. What a person must decide is commented out.
    """
    file = toml_value(name)
    text = _unpacked(head[:HEAD_BYTES])
    if not head:
        return f"# {file} is empty.\n"
    if text is None or text.startswith(_NO_TEXT) or name.removesuffix(".gz").endswith((".xlsx", ".parquet", ".jsonl")):
        return f"# {file} is no CSV text, so no lines are suggested: write its [[sources]] by hand.\n"
    encoding, read = _decoded(text)
    if "\0" in read:
        return f"# {file} is in no encoding that can be told: export it as UTF-8.\n"
    heads = [found for delimiter in ",;\t|" if (found := _head(read, delimiter, len(text) >= HEAD_BYTES))]
    told = next((table for table in TABLES if re.match(rf"{table.name}[_.-]", name.rpartition("/")[2])), None)
    fits = [(table, found, _matches(table, found)) for found in heads for table in ([told] if told else TABLES)]
    table, found, matches = max(fits, key=lambda fit: _score(fit[0], fit[2]), default=(None, None, ()))
    if table is None or found is None or not _is_header(found, matches):
        return f"# {file} has no line of column names that could be recognised: is there a header?\n"
    lines = [
        f"# What the first lines of {file} show. Check every line; take the # away from one that is to hold.",
        "[[sources]]",
        f"files = {toml_value(_files(name))}",
        *([] if told else [f'table = "{table.name}"']),
        *_dialect(encoding, found),
        *_numbers(found, matches),
        *_dates(found, matches),
        *_columns(table, found, matches),
        *_words(found, matches),
    ]
    return "\n".join(lines) + "\n"


def _unpacked(head: bytes) -> bytes | None:
    """The head's text, unpacked where it is gzipped; None where it cannot be."""
    if not head.startswith(b"\x1f\x8b"):
        return head
    try:
        return zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(head, HEAD_BYTES)
    except zlib.error:
        return None


def _decoded(text: bytes) -> tuple[str, str]:
    """The first encoding that fits, and the text in it. A character cut off at the end is left out."""
    encodings = ["utf-16"] if text.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            return encoding.removesuffix("-sig"), codecs.getincrementaldecoder(encoding)().decode(text)
        except UnicodeDecodeError:
            pass
    return "latin-1", text.decode("latin-1")


def _head(text: str, delimiter: str, is_cut: bool) -> _Head | None:
    """The head read with a delimiter; None where it does not part any names."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    records, ends = [], 0
    try:
        for record in reader:
            if any(cell.strip() for cell in record):
                records.append((ends, record))
            ends = reader.line_num
    except csv.Error:  # a cell longer than the reader takes
        return None
    if is_cut:
        records = records[:-1]
    (width, _), *_ = Counter(len(record) for _, record in records).most_common(1) or [(0, 0)]
    if not 2 <= width <= _MOST_COLUMNS:
        return None
    first = next(at for at, (_, record) in enumerate(records) if len(record) == width)
    begins, names = records[first]
    return _Head(delimiter, begins, [name.strip() for name in names], [row for _, row in records[first + 1 :]])


def _plain(name: str) -> str:
    """A name's letters and digits alone, in lower case and without accents."""
    letters = unicodedata.normalize("NFKD", name.casefold())
    return "".join(letter for letter in letters if letter.isalnum())


@cache
def _known(column: str) -> tuple[str, ...]:
    """What a column may be called: its name first, then the words of the trade for it."""
    return tuple(_plain(heading) for heading in (column, *HEADINGS.get(column, column).split(",")))


def _likeness(column: str, name: str) -> float:
    """1 for the column's own name, a little less for a word of the trade, under `_SURE` for another spelling of one."""
    plain, known = _plain(name[:_LONGEST_NAME]), _known(column)
    if plain in known:
        return 1 if plain == known[0] else _SURE
    near = get_close_matches(plain, known, n=1, cutoff=_NEAR)
    return SequenceMatcher(None, near[0], plain).ratio() * _SURE if near else 0


def _matches(table: Table, head: _Head) -> tuple[_Match, ...]:
    """The likeliest header for each column, no header for two; in the contract's order."""
    pairs = [
        _Match(column, at, likeness)
        for column, (at, name) in product(table.columns, enumerate(head.names))
        if name and (likeness := _likeness(column.name, name))
    ]
    taken: dict[str, _Match] = {}
    for pair in sorted(pairs, key=lambda pair: -pair.likeness):
        if pair.column.name not in taken and all(pair.at != other.at for other in taken.values()):
            taken[pair.column.name] = pair
    return tuple(taken[name] for name in table.column_names if name in taken)


def _score(table: Table, matches: tuple[_Match, ...]) -> float:
    """How well a header fits a table: what is found, less half a name for each required column that is not."""
    n_missing = len(table.required_columns) - sum(match.column.required for match in matches)
    return sum(match.likeness for match in matches) - n_missing / 2


def _is_header(head: _Head, matches: tuple[_Match, ...]) -> bool:
    """Whether the first line names columns: some are known, and none of its cells comes back below itself."""
    n_sure = sum(match.likeness >= _SURE for match in matches)
    comes_back = any(name and name in head.values(at) for at, name in enumerate(head.names))
    return n_sure >= _FEWEST_KNOWN and not comes_back


def _files(name: str) -> str:
    """A pattern for a file and its like: numbers in its own name, such as a date, may be others."""
    folder, slash, own = re.sub(r"([*?[])", r"[\1]", name.replace("\\", "?")).rpartition("/")
    return folder + slash + re.sub(r"[0-9]+([-_.]?[0-9]+)*", "*", own)


def _dialect(encoding: str, head: _Head) -> Iterator[str]:
    if encoding in ("cp1252", "latin-1"):
        yield f'encoding = "{encoding}"  # its bytes are no UTF-8: check that letters with accents come out right'
    elif encoding != "utf-8":
        yield f'encoding = "{encoding}"'
    if head.delimiter != ",":
        yield f"delimiter = {toml_value('tab' if head.delimiter == _TAB else head.delimiter)}"
    if head.skip_lines:
        yield f"skip_lines = {head.skip_lines}"


def _values(head: _Head, matches: tuple[_Match, ...], *kinds: Kind) -> list[str]:
    return [value for match in matches if match.column.kind in kinds for value in head.values(match.at)]


def _numbers(head: _Head, matches: tuple[_Match, ...]) -> Iterator[str]:
    """How numbers are written, where any has a mark."""
    values = _values(head, matches, Kind.DECIMAL, Kind.WHOLE)
    if all(re.fullmatch("-?[0-9]+", value) for value in values):
        return
    fits: dict[str, str] = {}
    for decimal, thousands in product(".,", ("", ".", ",", " ", "'")):
        group = rf"[0-9]{{1,3}}({re.escape(thousands)}[0-9]{{3}})+|" if thousands else ""
        pattern = re.compile(rf"-?({group}[0-9]+)({re.escape(decimal)}[0-9]+)?")
        if thousands != decimal and all(pattern.fullmatch(value) for value in values):
            fits.setdefault(decimal, thousands)
    if not fits:
        yield "# Not every number is digits with one decimal mark and one thousands mark: look at the number columns."
    if len(fits) > 1:
        yield '# either decimal_mark = "." or ",": every number looked at fits both'
    hidden = "# " if len(fits) > 1 else ""
    for decimal, thousands in fits.items():
        if (decimal, thousands) != (".", "") or hidden:
            mark = f"{hidden}thousands_mark = {toml_value(thousands)}" if thousands else ""
            yield from filter(None, (f'{hidden}decimal_mark = "{decimal}"', mark))


def _dates(head: _Head, matches: tuple[_Match, ...]) -> Iterator[str]:
    """How dates and times are written, where not as the contract has them."""
    dates, times = _values(head, matches, Kind.DATE), _values(head, matches, Kind.TIME)
    is_serial = [bool(values) and all(re.fullmatch(_SERIAL, value) for value in values) for values in (dates, times)]
    if any(is_serial):
        yield "# either 1900 or 1904: bare day numbers do not tell; the spreadsheet's own options do"
        yield "# serial_dates = 1900"
        yield "# serial_dates = 1904"
    if dates and not is_serial[0] and not all(_reads(_DATE_FORMATS[0], value) for value in dates):
        yield from _formats("date", dates, _DATE_FORMATS)
    if times and not is_serial[1] and not all(re.fullmatch(_ISO_TIME, value) for value in times):
        yield from _formats("time", times, _TIME_FORMATS)


def _formats(what: str, values: list[str], formats: tuple[str, ...]) -> Iterator[str]:
    """The formats that fit all values: the first for each order of day, month and year, commented out if several."""
    fits: dict[str, str] = {}
    for form in formats:
        order = "".join(dict.fromkeys(re.sub("[^DMY]", "", form.removesuffix("AM"))))
        if order not in fits and all(_reads(form, value) for value in values):
            fits[order] = form
    if not fits:
        yield f"# No {what}_format fits every {what} looked at. Are there years of two digits, or two columns for one?"
    if len(fits) > 1:
        number = "both" if len(fits) == 2 else "each"
        yield f"# either {' or '.join(map(toml_value, fits.values()))}: every {what} looked at fits {number}"
    for form in fits.values():
        yield f"{'# ' if len(fits) > 1 else ''}{what}_format = {toml_value(form)}"


def _reads(form: str, value: str) -> bool:
    """Whether a text is a day of the calendar, and a time of the day, in a format."""
    found = _compiled(form).fullmatch(value)
    if not found:
        return False
    parts = found.groupdict()
    hour = int(parts.get("hour") or 0)
    try:
        date(int(parts["year"]), int(parts["month"]), int(parts["day"]))
        time(hour, int(parts.get("minute") or 0), int(parts.get("second") or 0))
    except ValueError:
        return False
    return "half" not in parts or 1 <= hour <= 12


@cache
def _compiled(form: str) -> re.Pattern[str]:
    return re.compile(format_pattern(form))


def _columns(table: Table, head: _Head, matches: tuple[_Match, ...]) -> Iterator[str]:
    """Which header stands for which column, what is missing, and what is left over."""
    for match in matches:
        header = head.names[match.at]
        if header != match.column.name:
            check = "" if match.likeness >= _SURE else "  # only alike: check"
            yield f"columns.{match.column.name} = {toml_value(header)}{check}"
    found = {match.column.name for match in matches}
    for name in table.required_columns:
        if name not in found:
            yield f"# No column was found for {name}, which every row needs; set one of these:"
            yield f'# columns.{name} = "its name in the file"'
            yield f'# constants.{name} = "one value for all rows"'
    if table.one_of and not found & set(table.one_of):
        yield f"# No column was found for any of {', '.join(table.one_of)}, of which every row needs one."
    twice = {head.names[match.at] for match in matches if head.names.count(head.names[match.at]) > 1}
    yield from (f"# {toml_value(name)} stands twice in the header: rename one." for name in sorted(twice))
    used = {match.at for match in matches}
    left = [_presentable(name, at) for at, name in enumerate(head.names) if name and at not in used]
    if left:
        yield f"# Columns not used: {', '.join(left)}"


def _presentable(name: str, at: int) -> str:
    """A header in quotation marks; one that could be a cell's content, such as a number to call, by its place."""
    is_doubtful = len(name) > _LONGEST_NAME or "@" in name or len(re.findall(r"[0-9]", name)) > 2
    return f"column {at + 1}" if is_doubtful else toml_value(name)


def _words(head: _Head, matches: tuple[_Match, ...]) -> Iterator[str]:
    """Columns with words that the contract does not know: how many, and what a line for one looks like."""
    for match in matches:
        known = match.column.words if match.column.kind is Kind.WORD else ()
        known = (*TRUE_WORDS, *FALSE_WORDS) if match.column.kind is Kind.FLAG else known
        unknown = {value.lower() for value in head.values(match.at)} - set(known)
        if known and unknown:
            yield f"# Words looked at under {match.column.name} that are none of {', '.join(known)}: {len(unknown)}."
            yield f'# values.{match.column.name} = {{ "word in the file" = "{known[0]}" }}'
