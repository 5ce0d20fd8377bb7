"""Vocabulary of sleeves: side headings, field names, bracketed notes, in the languages of the trade.

Conventions: all words are lower case and compared after ``casefold``. Common practice, no source: the
lists were put together from how sleeves and typed track lists usually read.
"""

from __future__ import annotations

import re

SIDE_WORDS = (
    "side|seite|face|lado|cara|lato|kant|sida|puoli|strona|strana|сторона|πλευρά|"
    "oldal|taraf|fața|zijde|banda|cote|côté|צד|الوجه|وجه"
)
DISC_WORDS = "disc|disk|disque|disco|platte|plate|record|lp|ep|skiva|levy|płyta|deska|пластинка|vinyl"

ORDINALS = {
    word: number
    for number, words in enumerate(
        (
            "one first i un une uno una eins ein erste première premier primera primo primeira één en ett א أ ا الأول",
            "two second ii deux dos due zwei zweite deuxième seconde segunda seconda twee två to ב ب الثاني",
            "three third iii trois tres tre drei dritte troisième tercera terza drie ג ج الثالث",
            "four fourth iv quatre cuatro quattro vier vierte quatrième quarta fyra ד د الرابع",
            "five fifth v cinq cinco cinque fünf vijf fem",
            "six sixth vi seis sei sechs zes sex",
            "seven seventh vii sept siete sette sieben zeven sju",
            "eight eighth viii huit ocho otto acht åtta",
        ),
        start=1,
    )
    for word in words.split()
}

LIST_LINE = re.compile(
    r"(?:track ?list(?:ing)?|tracks:|titelliste|liste des titres|lista de temas)\W*", re.IGNORECASE
)
"""A line that only says that the list follows."""

FIELDS = {
    name: field
    for field, names in {
        "artist": "artist|artists|performer|performed by|band|album artist|interpret|künstler|artiste|artista",
        "title": "title|album|record|album title|titel|titre|título|titolo",
        "year": "year|released|release date|date|jahr|année|año|anno|ano|release year",
        "label": "label|record label|marke",
        "catalogue_number": (
            "catalogue number|catalog number|catalogue no|catalogue no.|catalog no|catalog no.|cat no|cat no.|"
            "cat. no.|cat#|cat #|cat.|catalogue|catalog|catalog#|katalognummer|number|order number|bestellnummer|"
            "catalogue_number|catalog_number|catno"
        ),
        "country": "country|land|pays|país|paese|pressed in|made in",
        "rpm": "speed|rpm|geschwindigkeit|vitesse|velocidad|velocità",
        "size_inch": "size|format|disc size|size_inch|größe|diameter",
        "genre": "genre|style|genres|género|genere",
        "barcode": "barcode|ean|upc",
        "notes": "note|notes|comment|comments|remark|remarks|credits|bemerkung",
    }.items()
    for name in names.split("|")
}

NOTE_WORDS = re.compile(
    r"\b(live|remix|mix|version|part|pt|reprise|instrumental|edit|demo|take|bonus|hidden|remaster\w*|mono|stereo|"
    r"feat|featuring|with|acoustic|alternate|extended|radio|session|intro|outro|interlude|unlisted|excerpt|"
    r"medley|vocal|dub|single|original|theme|recorded|previously|finale|prelude|encore)\b\.?",
    re.IGNORECASE,
)
"""A bracket holding one of these belongs to the title."""

SIDE_NOTE_WORDS = re.compile(
    r"\b(bonus( track)?|hidden( track)?|unlisted|not on (the )?sleeve)\b", re.IGNORECASE
)
"""A bracket holding one of these says something about the track: it goes to the track's note."""

CREDIT_LINE = re.compile(
    r"^\W*(produced|recorded|written|words|lyrics|mixed|mastered|engineered|arranged|all (songs|tracks|titles|"
    r"compositions|music|selections)|music by|composed|cover|photo\w*|design\w*|artwork|sleeve|printed|manufactured|"
    r"distributed|published|copyright|made in|total( time| running time| playing time)?\b|playing time|running time|"
    r"also available|personnel|musicians|thanks|www\.|https?:|[©℗]|\(c\)|\(p\)|\*+ ?[a-z])",
    re.IGNORECASE,
)
"""Lines that sleeves carry beside the track list; they are kept as notes."""

VARIOUS = re.compile(
    r"^\W*(various( artists?)?|v/a|va|diverse|divers|varios( artistas)?|vari|verschiedene)\W*$", re.I
)

WORK_WORDS = re.compile(
    r"\b(no|nr|op|opus|suite|symphony|symphonie|sinfonia|concerto|konzert|sonata|sonate|quartet|quartett|trio|part|"
    r"act|scene|chapter|book|movement|mass|requiem|variations?|prelude|fugue)\b\.?",
    re.IGNORECASE,
)
"""What stands before a colon and holds one of these is a work, not an artist."""
