"""What a wrong cell of a workbook was probably meant to be: the end of a sentence that says what is wrong. Pure."""

import calendar
import re
from collections.abc import Callable, Iterable, Mapping
from datetime import date, timedelta
from typing import Any

from company.sheets import nearest, shown

# Day 1 of a spreadsheet's calendar is 1900-01-01; day 60 never was, so real days count from here.
_DAY_ZERO = date(1899, 12, 30)


def mean(*answers: str) -> str:
    """Say " Did you mean …?" for one or several answers, or nothing."""
    listed = list(dict.fromkeys(f"“{answer}”" for answer in answers if answer))
    if not listed:
        return ""
    return f" Did you mean {' or '.join([', '.join(listed[:-1]), listed[-1]]) if len(listed) > 1 else listed[0]}?"


def for_bounds(value: float, lowest: float, highest: float, unit: str) -> str:
    """Offer the bound that a number has passed, or the same figures with the point where it belongs."""
    for power in (10, 100, 1000):
        for tried in (value / power, value * power):
            if lowest < tried < highest and value > 3 * highest:
                return mean(f"{tried:g}{f' {unit}' if unit else ''}")
    bound = lowest if value < lowest else highest
    return f" The nearest that is taken is {bound:g}{f' {unit}' if unit else ''}."


def for_number(cell: str, unit: str) -> str:
    """Offer the figure that a text holds: "12 volts" → 12 V."""
    found = re.findall(r"[-+]?\d+(?:[.,]\d+)?", cell)
    if len(found) != 1:
        return f" Write the figure alone{f', in {unit}' if unit else ''}."
    return mean(f"{found[0].replace(',', '.')}{f' {unit}' if unit else ''}")


def for_day(value: str, today: date) -> str:
    """Offer the day that a text most likely means."""
    numbers = [int(part) for part in re.findall(r"\d+", value)]
    months = {name.casefold(): n for n, name in enumerate(calendar.month_name) if name}
    months |= {name.casefold(): n for n, name in enumerate(calendar.month_abbr) if name}
    words = re.findall(r"[A-Za-z]{3,}", value)
    month = months.get(nearest(words[0], months) or "") if words else None
    if month and len(numbers) == 2:
        day, year = sorted(numbers)
        return mean(_real_day(_full_year(year, today), month, day))
    if month and len(numbers) == 1:
        return f" Which day? Write it like {_full_year(numbers[0], today)}-{month:02d}-15."
    if len(numbers) == 1 and re.fullmatch(r"\d{8}", value.strip()):
        whole = value.strip()
        return mean(_real_day(int(whole[:4]), int(whole[4:6]), int(whole[6:])))
    if len(numbers) != 3:
        return ""
    if numbers[0] > 31:
        return mean(_real_day(numbers[0], numbers[1], numbers[2]))
    year = _full_year(numbers[2], today)
    answers = [_real_day(year, numbers[1], numbers[0])]
    if "." not in value:
        answers.append(_real_day(year, numbers[0], numbers[1]))
    return mean(*answers)


def _full_year(year: int, today: date) -> int:
    return year + 2000 if year <= today.year - 2000 else year + 1900 if year < 100 else year


def _real_day(year: int, month: int, day: int) -> str:
    """Write a day; one that the month does not have becomes its last."""
    if not (1 <= month <= 12 and 1 <= day <= 31 and 1 <= year <= 9999):
        return ""
    return date(year, month, min(day, calendar.monthrange(year, month)[1])).isoformat()


def for_year(value: date, first: date, today: date) -> str:
    """Offer the same day in a year that can be: figures of the year swapped, or the wrong century."""
    text = f"{value.year:04d}"
    tried = [int(text[:2] + text[3] + text[2]), 2000 + value.year % 100]
    # Next year's figure is a slip of December or of the finger; a year long past says nothing of this one.
    tried += [today.year] if value > today else []
    for year in tried:
        day = _real_day(year, value.month, value.day)
        if first.isoformat() <= day <= today.isoformat():
            return mean(day)
    return ""


def for_day_number(value: float, first: date, today: date) -> str:
    """Offer the day that a bare number stands for in a spreadsheet's calendar."""
    if 1 <= value < 100_000:
        day = _DAY_ZERO + timedelta(days=int(value))
        if first <= day <= today:
            return mean(day.isoformat())
    return ""


def for_span(value: str, lowest_s: int, highest_s: int, units_s: Mapping[str, int], say: Callable[[int], str]) -> str:
    """Offer a length of time: the figure with each unit that fits, or with the unit that was misspelt."""
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*([^\W\d_]*)\.?\s*", value)
    if not match:
        return ""
    figure = float(match[1].replace(",", "."))
    unit = nearest(match[2], [name for name in units_s if len(name) > 1]) if match[2] else None
    tried = [unit] if unit else ["h", "min", "s"]
    fitting = [round(figure * units_s[name]) for name in tried if lowest_s <= figure * units_s[name] <= highest_s]
    return mean(*(say(seconds) for seconds in fitting))


def for_choice(word: str, known: Iterable[str]) -> str:
    """Offer the known answer that is spelt alike, or begins alike."""
    names = list(known)
    begins = [name for name in names if word and name.casefold().startswith(word.casefold()[:2])]
    return mean(nearest(word, names) or (begins[0] if len(begins) == 1 else ""))


def for_email(value: str, is_right: Callable[[str], bool]) -> str:
    """Offer the address without the slips that a keyboard makes."""
    repaired = re.sub(r"\s*[(\[]\s*at\s*[)\]]\s*", "@", value, flags=re.IGNORECASE)
    repaired = re.sub(r"^mailto:|[<>\s\"]", "", repaired.replace(",", ".").replace(";", "."), flags=re.IGNORECASE)
    repaired = re.sub(r"@+", "@", re.sub(r"\.+", ".", repaired)).strip(".")
    return mean(repaired) if repaired != value and is_right(repaired) else ""


def for_gauge(value: str) -> str:
    """Offer mm² for a small figure, AWG for one that wires have."""
    found = re.findall(r"\d+(?:[.,]\d+)?", value)
    if len(found) != 1:
        return ""
    figure = float(found[0].replace(",", "."))
    answers = [f"{figure:g} mm²"] if figure <= 16 else []
    if figure == int(figure) and 10 <= figure <= 30:
        answers.append(f"AWG {figure:g}")
    return mean(*answers)


def for_whole(value: float, lowest: int, highest: int) -> str:
    """Offer the whole numbers below and above."""
    return mean(*(str(n) for n in (int(value // 1), int(value // 1) + 1) if lowest <= n <= highest))


def for_set(value: Any, known: Iterable[int], say: Callable[[int], str]) -> str:
    """Offer the nearest of a few numbers."""
    listed = sorted(known)
    if not listed or not isinstance(value, int):
        return ""
    return f" The nearest to {shown(say(value))} is {say(min(listed, key=lambda n: (abs(n - value), -n)))}."
