"""Columns and values that may point to a person: found, dropped and never repeated.

The rules look for what spreadsheets of pacing attempts really contain by mistake.  They cannot prove that
a file is anonymous, and they prefer a false alarm about an unused column, which costs nothing, to silence.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = [
    "date_like",
    "looks_like_name",
    "personal_content",
    "personal_header",
    "personal_value",
    "text_to_echo",
]


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_WORDS: Final[dict[str, frozenset[str]]] = {
    "a name": _set(
        "name names surname forename firstname lastname fullname initials vorname nachname familienname "
        "nom prenom nombre apellido apellidos nome cognome sobrenome naam achternaam voornaam navn "
        "fornavn etternavn efternavn namn fornamn efternamn imie nazwisko"
    ),
    "a birth date": _set(
        "dob birth birthday birthdate born geboren geburtsdatum geburtstag gebdat geb naissance "
        "nacimiento nascita nascimento geboortedatum fodselsdato fodelsedatum urodzenia"
    ),
    "a phone number": _set(
        "phone telephone tel telefon telefono telefoonnummer telefonnummer telefone mobile mobil handy "
        "handynummer cellphone fax"
    ),
    "an e-mail address": _set("email mail emailaddress courriel correo"),
    "an address": _set(
        "address adresse anschrift direccion indirizzo endereco adres street strasse rue calle zip "
        "zipcode postcode postal plz postleitzahl codigopostal city town wohnort"
    ),
    "a record, insurance or social number": _set(
        "mrn recordnumber medicalrecord medicalrecordnumber hospitalnumber chartnumber fallnummer "
        "krankenaktennummer nhs nhsnumber ssn socialsecurity socialsecuritynumber "
        "sozialversicherungsnummer svnr avs ahv insurance insurancenumber versicherung "
        "versicherungsnummer krankenkasse assurance seguro passport nationalid nir nss nif dni bsn "
        "personnummer fodselsnummer pesel codicefiscale curp cpf"
    ),
}

# Names of things, not of people.
_HARMLESS_OWNERS: Final = _set(
    "device drug medication file site pad centre center hospital unit variable study agency column sheet "
    "test form manufacturer model brand"
)

_MONTH: Final = (
    r"(jan|feb|f\u00e9v|mar|m\u00e4r|apr|avr|ma[iy]|jun|jui|jul|aug|ao\u00fb|ago|sep|o[ck]t|nov|de[czs\u00e9])"
    r"[a-z\u00e9]{0,9}"
)
_DATE: Final = re.compile(
    r"(?<![0-9])((18|19|20)[0-9]{2}[-/.](0?[1-9]|1[0-2])[-/.](0?[1-9]|[12][0-9]|3[01])"
    r"|(0?[1-9]|[12][0-9]|3[01])[-/.](0?[1-9]|[12][0-9]|3[01])[-/.]((18|19|20)?[0-9]{2})"
    rf"|(0?[1-9]|[12][0-9]|3[01])\.?[-/ ]?{_MONTH}[-/. ,]{{1,2}}((18|19|20)?[0-9]{{2}})"
    rf"|{_MONTH}[. ]{{1,2}}(0?[1-9]|[12][0-9]|3[01]),? (18|19|20)[0-9]{{2}}"
    r"|(19|20)[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|[12][0-9]|3[01]))(?![0-9])",
    re.IGNORECASE,
)
_EMAIL: Final = re.compile(r"[^\s@]@[^\s@]+\.[A-Za-z]{2,}")
_DIGIT_RUN: Final = re.compile(r"\+?[0-9](?:[ ()/.-]{0,2}[0-9]){8,}")
_NAME_PART: Final = r"[A-Z\u00c0-\u00de][a-zA-Z\u00df-\u00ff'\u2019-]+"
_TWO_NAMES: Final = re.compile(rf"{_NAME_PART},?( [A-Z]\.?)? {_NAME_PART}|[A-Z]{{2,}}, ?{_NAME_PART}")
# Words of the two-word phrases in pacing spreadsheets ("Left Lateral", "Sinus Bradycardia").
_PLAIN_WORDS: Final = _set(
    "left right anterior posterior lateral upper lower front back side chest sternal apex apical pad pads "
    "sinus av heart block complete third second degree atrial ventricular not no yes unknown other "
    "cardiac emergency operating cath ep intensive own max maximum device stopped group arm case patient "
    "subject study site test control pulse capture electrical mechanical standard placebo"
)
_DECIMAL: Final = re.compile(r"[+-]?[0-9]*[.,][0-9]+([eE][+-]?[0-9]+)?")
_SHARE_OF_NAMES: Final = 0.3
_MOST_LOOKED_AT: Final = 20_000


def personal_header(header: str) -> str | None:
    """Return what a column name promises ("a name", "a birth date", ...) or ``None``."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", header) if not unicodedata.combining(c))
    split = re.sub(r"([a-z])([A-Z])", r"\1 \2", plain.replace("\u00df", "ss").replace("\u00f8", "o")).casefold()
    words = re.findall(r"[a-z]+", split)
    pairs = ["".join(words[at : at + 2]) for at in range(len(words) - 1)]
    joined = {*words, *pairs, "".join(words), *("".join(words[at : at + 3]) for at in range(len(words) - 2))}
    for what, names in _WORDS.items():
        if joined & names and not (what == "a name" and _HARMLESS_OWNERS & set(words)):
            return what
    return None


def date_like(text: str) -> bool:
    """Whether a cell holds a calendar date in one of the usual spellings."""
    return _DATE.search(text) is not None


def personal_value(text: str) -> str | None:
    """Return what a single cell looks like, names left aside, or ``None``."""
    if _EMAIL.search(text):
        return "an e-mail address"
    # Measurements with many decimals are not phone numbers.
    if not _DECIMAL.fullmatch(text) and _DIGIT_RUN.search(text):
        return "a phone, record or insurance number"
    if _DATE.search(text) and not _DECIMAL.fullmatch(text):
        return "a date"
    return None


def looks_like_name(text: str) -> bool:
    """Whether a cell reads like "First Last" or "LAST, First"."""
    match = _TWO_NAMES.fullmatch(text.strip())
    return match is not None and not _PLAIN_WORDS & set(re.findall(r"[a-z]+", text.casefold()))


def personal_content(labels: Iterable[str]) -> str | None:
    """Return what the distinct cells of a free column look like, or ``None``.

    One e-mail address, phone number or date is enough; names must be a good part of the column, because two
    capitalised words are also how people write ordinary phrases.
    """
    names = looked_at = 0
    for text in labels:
        looked_at += 1
        what = personal_value(text)
        if what is not None:
            return what
        names += looks_like_name(text)
        if looked_at == _MOST_LOOKED_AT:
            break
    return "names" if names and names >= _SHARE_OF_NAMES * looked_at else None


def text_to_echo(text: str) -> str | None:
    """Return the cell as it may be shown in a message, or ``None`` when it may point to a person."""
    return None if personal_value(text) or looks_like_name(text) else text
