"""Words in column names, and in cells, that tell whether something points to a person.

All words are lower case, without accents, and column names are compared word by word and with up to three
neighbouring words joined, so that ``"Date of birth"``, ``"dateOfBirth"`` and ``"DATE_OF_BIRTH"`` are one.
"""

from __future__ import annotations

from typing import Final

__all__ = [
    "CASELESS_NAMES",
    "CERTAIN",
    "HARMLESS_OWNERS",
    "NAME_PARTICLES",
    "NUMBER_WORDS",
    "PERSONS",
    "PLAIN_WORDS",
    "POSSIBLE",
    "RECORDS",
    "SERVICE_RECORDS",
    "TITLES",
]


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


CERTAIN: Final[dict[str, frozenset[str]]] = {
    "a name": _set(
        "surname forename firstname lastname fullname initials vorname nachname familienname prenom apellido "
        "apellidos cognome sobrenome achternaam voornaam fornavn etternavn efternavn fornamn efternamn imie "
        "nazwisko nextofkin kin angehorige \u0444\u0430\u043c\u0438\u043b\u0438\u044f \u0438\u043c\u044f "
        "\u0444\u0438\u043e \u03bf\u03bd\u03bf\u03bc\u03b1 \u03b5\u03c0\u03c9\u03bd\u03c5\u03bc\u03bf"
    ),
    "a birth date": _set(
        "dob yob birth birthday birthdate birthyear geburtsdatum geburtstag geburtsjahr gebdat geb jahrgang naiss "
        "naissance nacimiento nascita nascimento geboortedatum geboortejaar fodselsdato fodelsedatum fodselsar "
        "urodzenia"
    ),
    "a phone number": _set(
        "phone telephone tel telefon telefono telefoonnummer telefonnummer telefone handynummer cellphone fax "
        "mobilephone mobileno mobilenumber mobilenr contactno contactnumber contactnr"
    ),
    "an e-mail address": _set("email emailaddress mailaddress courriel correo"),
    "an address": _set(
        "address adresse anschrift direccion indirizzo endereco adres strasse zip zipcode postcode "
        "plz postleitzahl codigopostal codepostal wohnort gps latitude longitude"
    ),
    "a record, insurance or social number": _set(
        "mrn recordnumber medicalrecord medicalrecordnumber hospitalnumber chartnumber krankenaktennummer nhs "
        "nhsnumber ssn socialsecurity socialsecuritynumber sozialversicherungsnummer svnr avs ahv insurance "
        "insurancenumber versicherung versicherungsnummer krankenkasse assurance seguro passport nationalid nir "
        "nss nif dni bsn personnummer fodselsnummer pesel codicefiscale curp cpf"
    ),
}
"""Never a column of a study, whatever it holds."""

POSSIBLE: Final[dict[str, frozenset[str]]] = {
    "a name": _set(
        "name names nom nombre nome naam navn namn physician doctor arzt medecin medico nurse paramedic operator"
    ),
    "a birth date": _set("born geboren"),
    "a phone number": _set("mobile mobil handy"),
    "an e-mail address": _set("mail"),
    "an address": _set("street rue calle postal city town ort ville ciudad stadt location lieu"),
}
"""Other meanings are as likely; where such a column is used, what it holds decides."""

CASELESS_NAMES: Final = (
    "\u6c0f\u540d",
    "\u59d3\u540d",
    "\u540d\u524d",
    "\uc774\ub984",
    "\uc131\uba85",
    "\u0627\u0644\u0627\u0633\u0645",
    "\u05e9\u05dd",
)
"""Words for a name in scripts that write words together or have no capitals."""

NUMBER_WORDS: Final = _set("no nr num nbr number nummer numero numer n")
RECORDS: Final = _set("hospital hosp ur mr chart medicalrecord unitrecord insurance social health national")
SERVICE_RECORDS: Final = _set(
    "record patient patients pat case fall einsatz incident run mission admission encounter episode visit dispatch "
    "protokoll client akte dossier"
)
"""With a word for number: one of a hospital's or a service's numbers, which may also be a study's own code."""

PERSONS: Final = _set(
    "patient patients pat person client full first last family given sur middle maiden birth nurse doctor physician "
    "contact kin paramedic relative partner mother father user staff de du del des der of the and or s complete"
)
"""Words beside "name" that make it a person's."""

HARMLESS_OWNERS: Final = _set(
    "device drug medication file site pad pads centre center hospital unit variable study agency column sheet test "
    "form manufacturer model brand placement rhythm setting assignment mode pacing capture criterion arm group "
    "position electrode"
)
"""Names, places and units of things, not of people."""

NAME_PARTICLES: Final = _set("von van de der den del della da di du la le bin ibn al el ter zu dos dalla")
TITLES: Final = _set(
    "mr mrs ms miss mister dr prof herr frau mme mlle monsieur madame sr sra senor senora sig signor signora "
    "dhr mevr pan pani"
)

PLAIN_WORDS: Final = _set(
    "left right anterior posterior lateral upper lower front back side chest sternal apex apical pad pads sinus av "
    "heart block complete third second degree atrial ventricular not no yes unknown other cardiac emergency "
    "operating cath ep intensive own max maximum device stopped group arm case patient patients subject study site "
    "test control pulse capture electrical mechanical standard placebo time stamp date day crew level blood "
    "pressure hospital id code data export pacing registry attempts attempt steps step final copy new old version "
    "sheet table tabelle blatt daten results result unit mobile medical record records number note notes remark "
    "remarks comment comments local file export raw clean start end first last minimum min mean median total count "
    "rate mode rhythm placement setting assignment output current energy joules width duration drug drugs "
    "medication dose response mode status outcome reason type model brand manufacturer room ward department office "
    "before after during with without and or of the to in on at for by from chief complaint body mass index weight "
    "height age sex gender oxygen saturation temperature respiratory sedation intubated airway return spontaneous "
    "circulation arrest bradycardia tachycardia fibrillation flutter asystole escape junctional idioventricular "
    "standstill pain stopped therapy transvenous wire temporary permanent threshold thresholds systolic diastolic "
    "femoral carotid ultrasound waveform arterial line review strip monitor defibrillator pacer pacemaker "
    "electrode electrodes gel skin muscle hospitalised admitted discharged died alive dead survived lost follow up "
    "quality good poor fair high low normal abnormal present absent positive negative north south east west "
    "research coordinator team service ambulance helicopter ground air shift night morning evening period phase "
    "visit procedure laboratory theatre care trial randomised randomized chosen baseline summary overview list "
    "codebook dictionary legend read me info information master main working draft backup"
)
"""Words of ordinary phrases, headings and file names about pacing, which two capitals do not make a name."""
