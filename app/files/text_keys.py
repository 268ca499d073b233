"""Words of the trade by which a preamble names what it states."""

from __future__ import annotations

import re

from app.files.text_units import find_rate_unit, find_unit, split_label

NUMBER = (
    r"[+-]?(?:\d{1,3}(?:[ ,.'’\u00a0\u2009\u202f]\d{3})+(?![\d])(?:[.,]\d+)?(?:[eE][+-]?\d+)?"
    r"|(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)"
)
WITH_UNIT = rf"(?P<value>{NUMBER})\s*(?P<unit>%|[A-Za-zµμ][A-Za-z/]*)?"
QUANTITY = re.compile(WITH_UNIT)
BARE_RATE = re.compile(rf"(?<![\w.])(?P<value>{NUMBER})\s*(?P<unit>[kMG]?(?:S|Sa|samples)/s|[kM]?[Ss]ps)\b")
TIME = re.compile(
    r"((relative|elapsed)\ )? (times?|time\ ?stamp|zeit|temps|tiempo|tempo|tijd|tid|czas|время|时间|時間|t) (\ axis)?",
    re.I | re.X,
)

_PATTERNS = {
    name: re.compile(pattern, re.I | re.X)
    for name, pattern in {
        "interval": r"""((x|h|t|time|horizontal|horiz|hor|sample|sampling|delta)\ ?)*
            (interval|increment|incr|inc)
            | abtast(intervall|periode|zeit) | zeitschritt | t\ ?(s|sample|sampling)
            | ((x|h|t|time|horizontal|horiz|hor|sample|sampling)\ )+(period|step|spacing|resolution)
            | d[tx] | (delta|Δ)\ ?([tx]|time) | x(incr?|delta) | interval\ between\ samples
            | (time|seconds|secs?|s)\ ?(per|/)\ ?(sample|point)
            | p[ée]riode\ d['’][ée]chantillonnage | per[ií]odo\ de\ (muestreo|amostragem) | интервал\ дискретизации
            | 采样(间隔|周期) | サンプリング(間隔|周期) | 샘플링\ ?(간격|주기)""",
        "rate": r"""fr[ée]quence\ d['’][ée]chantillonnage | frecuencia\ de\ muestreo | frequenza\ di\ campionamento
            | (taxa|frequ[êe]ncia)\ de\ amostragem | sampl(e|ings?)(frekvens|frequentie|rate)
            | bemonsterings(frequentie|snelheid)
            | cz[ęe]stotliwo[śs][ćc]\ pr[óo]bkowania | vzorkovac[íi]\ (frekvence|kmito[čc]et)
            | örnekleme\ (frekansı|hızı) | näytteenottotaajuus | mintavételi\ (frekvencia|sebesség)
            | 샘플링\ ?(주파수|속도|레이트)
            | частота\ дискретизации | 采样(率|频率) | サンプリング(周波数|レート) | サンプルレート
            | (samples?|sampling|acquisition|data|scan)\ ?(rate|frequency|freq|clock)
            | abtast(rate|frequenz) | rate | clock
            | fs | f\ (s|samp|sample|sampling) | sr | sps | (samples|points|pts)\ ?(per|/)\ ?(s|sec|second)""",
        "start": r"""((x|h|t|time|horizontal|horiz|hor)\ ?)*(start|origin|zero|org)(\ time)?
            | [tx]\ ?(0|zero|start|origin) | [hx]\ offset
            | (time\ of\ )?first\ (sample|point)(\ time)?""",
        "end": r"""((x|h|t|time|horizontal|horiz|hor)\ ?)*(stop|end)(\ time)? | (time\ of\ )?last\ (sample|point)(\ time)?""",
        "duration": r"(record(ing)?|capture|acquisition|total|sweep)?\ ?(duration|time\ span|length\ in\ time)",
        "count": r"""(number|num|no|nr|count)\ (of\ )?(samples|points) | (sample|point)\ count
            | record\ length | samples | points""",
        "before trigger": r"""pre\ ?trig(ger)?(\ (samples?|points?|time|length|count|duration))?
            | (samples|points|time)\ before\ (the\ )?trigger""",
        "trigger": r"trigger\ (sample|point|index|position|pos)(\ (sample|number|no|index))?",
        "step": r"""y\ ?(incr?|increment|mult|multiplier|step|scale)
            | ([mµu]?[va]|(milli|micro)?(volts?|amps?|amperes?)|units?)\ ?(per|/)\ ?
              (count|code|lsb|bit|level|step|digit)s?
            | lsb(\ (size|weight|value|step))? | code\ (width|step)
            | (vertical|voltage|adc|conversion)\ (step|increment|incr|multiplier|factor)
            | scale\ factor""",
        "offset": r"y\ ?(origin|zero|offset|org) | ((vertical|voltage|value)\ )?offset",
        "reference": r"""y\ ?(ref|reference) | (zero|mid|reference)\ (code|level|count|value)
            | (adc|code)\ (offset|zero|mid|reference|midpoint)""",
        "decimation": r"(decimation|down\ ?sampling|sub\ ?sampling)(\ (factor|ratio))?|every\ (nth|n\ th)(\ (point|sample))?",
        "time unit": r"(horizontal|horiz|hor|h|x|time)(\ axis)?\ ?units?",
        "value unit": r"((vertical|vert|y|v|channel|value)(\ axis)?\ ?)?units?",
        "channel": r"source | label | ((channel|signal|trace)(\ name)?)",
    }.items()
}

_CAPITALS = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


def meaning(key: str) -> str | None:
    """Which of the facts sought ``key`` names, such as "interval"; a unit in brackets does not matter."""
    return meaning_and_unit(key)[0]


def meaning_and_unit(key: str) -> tuple[str | None, str]:
    """The same with the unit that stands with the key, if that is no part of the word, as in "samples per second"."""
    label, unit = split_label(key)
    # with "mV/LSB" the whole is the word
    for text, of_it in ((key, ""), (label, unit)):
        plain = re.sub(r"[_.:\-]+", " ", text)
        # the capital in "mV/LSB" begins no word
        for parted in (_CAPITALS.sub(" ", plain), plain):
            words = " ".join(parted.split())
            found = next((name for name, pattern in _PATTERNS.items() if pattern.fullmatch(words)), None)
            if found is not None:
                return found, of_it
    return None, ""


_PIECE = re.compile(rf"(?P<key>[A-Za-z][\w -]{{0,30}}?)\s+(?:{WITH_UNIT}|(?P<text>[A-Za-zµΩ%]{{1,4}}))")
# before keys that follow each other, ":WFM:XINCR 4E-9;XZERO 0"
_PATH = re.compile(r"^:?(?:[A-Za-z]\w{0,20}:)+(?=[A-Za-z])")
_MOST_PIECES = 0.7


def keyed_pieces(line: str) -> list[re.Match[str]]:
    """Keys with what each is to be behind a blank, parted by semicolons: ``XINCR 4E-9;XZERO 0``; none of another line."""
    parts = [_PATH.sub("", part.replace('"', "").strip()) for part in line.split(";") if part.strip()]
    pieces = [piece for part in parts if (piece := _PIECE.fullmatch(part))]
    return pieces if len(parts) > 1 and len(pieces) > _MOST_PIECES * len(parts) else []


def stated_as(key: str) -> tuple[str | None, float]:
    """What a number under ``key`` is, and the factor to seconds or hertz by the unit in the key: ``dt_us``, ``fs_kHz``."""
    said, unit = meaning_and_unit(key)
    time, rate = find_unit(unit), find_rate_unit(unit)
    if rate is not None and said == "rate":
        return said, rate
    return said, time.factor if time is not None and time.time and said != "rate" else 1.0


def number(text: str, decimal: str) -> float:
    """The value of a text that `QUANTITY` took for a number, whatever stands between its thousands.

    Of ``1,234`` and ``1.234`` only the ``decimal`` mark of the table can tell; a leading zero is never one
    of thousands.
    """
    text = re.sub(r"[ '’\u00a0\u2009\u202f]", "", text)
    comma, point = text.rfind(","), text.rfind(".")
    if comma >= 0 and point >= 0:
        text = text.replace("," if point > comma else ".", "")
    elif text.count(".") > 1:
        text = text.replace(".", "")
    elif comma >= 0:
        whole, _, rest = text.partition(",")
        apart = re.fullmatch(r"\d{3}([eE].*)?", rest) and whole.strip("+-0") and decimal == "."
        if text.count(",") > 1 or apart:
            text = text.replace(",", "")
    return float(text.replace(",", "."))
