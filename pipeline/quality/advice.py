"""What to do about each rule that rows break: one line a kind of rule, found by the words of its sentence."""

from __future__ import annotations

import re

UNKNOWN = "Look at the rows in the file and correct them at the source."

# (what the sentence says, what to do). The first that fits is taken. {table} and {column} are put in; the column is the first
# word of the sentence.
_ADVICE: tuple[tuple[str, str], ...] = (
    (r"is not a date", 'Correct the dates at the source, or the pattern that the mapping states for them: [{table}] dates = "...".'),
    (r"is not a whole number$", "Whole numbers only: take words and Roman numerals out."),
    (r"is not a number$", 'State the decimal sign in the mapping: [{table}] decimal = ","; take words out of number fields.'),
    (r"is not a truth value", "Translate the site's words in the mapping: [{table}.codes.{column}]."),
    (r"is not one of its codes$", "Translate the site's codes in the mapping: [{table}.codes.{column}]."),
    (r"^birth_year is outside", "Two digits, or a placeholder such as 1850? Correct it at the source."),
    (r"^attempt_no is outside", "Number the attempts on each lesion 1, 2, 3 in the order in which they were made."),
    (r"is outside \d{4} to \d{4}$", "Correct the year at the source, or say how dates are written in the mapping."),
    (r"is outside (?P<accepted>\S+ to \S+)$", "Correct it at the source; accepted is {accepted}."),
    (r"is outside \S+ to \S+ \S+$", "Check the unit and state it in the mapping ([{table}.units]); else correct the values."),
    (r"after the day on which the tables were received", "A date that has not come yet: day and month may have been exchanged."),
    (r"an attempt before it .* missing$", "Export every attempt, the failed ones too, and number them from 1 without gaps."),
    (r"has a damaged letter$", "Export the file again as UTF-8: a program on the way has cut letters in two."),
    (r"was rounded by a spreadsheet$", "Export keys as text: a spreadsheet wrote them as 1.23E+05, and what they were is lost."),
    (r"is missing$", "Fill it in at the source: without it the row cannot be used."),
    (r"^calcium_grade is not a grade", "Correct the scale, or translate the grades: [{table}.codes.calcium_grade]."),
    (r"^calcium_grade", "Export the scale beside the grade, or state it for all rows: [lesions.constants] calcium_scale."),
    (r"^the same row stands earlier", "The export holds the row twice. Nothing is lost; mend the query."),
    (r"is on several rows that differ", "One key must stand for one row: correct the key, or take out the outdated row."),
    (r"is not in the \w+ table$", "Export both tables for the same period and sites, or correct the key that leads there."),
    (r"^its \w+ was set aside$", "Mend the row that it belongs to; this one follows."),
    (r"has the same attempt_no$", "Number the attempts on each lesion 1, 2, 3 in the order in which they were made."),
    (r"earlier attempt on its lesion crossed", "Check the order and the result of the attempts; a lumen lost again is told by stopped_because."),
    (r"^crossed is|stopped_because is puncture_failed", "The row contradicts itself: ask the operator which of the two is right."),
    (r"its lesion is another patient's|its attempt belongs to another", "Correct the key: it leads to another patient or procedure."),
    (r"its side is not that", "Left and right were exchanged in one of the two tables: ask the site which."),
    (r"is before|is after|later procedure|after the patient's death", "One of the two dates is wrong: compare them at the source."),
    (r"not yet \d+ years old", "Check the year of birth: two digits, or a default year?"),
    (r"exceeds? .*duration_min|exceed duration_min|exceeds duration_min", "Check both times and their units ([{table}.units])."),
    (r"disagree|grades or more from|but prior_revascularization|has no bypass", "The two columns contradict each other: ask the site which is right."),
    (r"very same values", "Was the row copied, or one lesion entered twice? Look at both rows."),
    (r"access_site", "Check approach, access site and route: a groin punctured against the stream is an approach from above."),
    (r"fields|quotation mark|line", "Export the file again with every text in quotation marks; one row a line."),
)  # fmt: skip


def advice(table: str, sentence: str) -> str:
    """What to do about rows that break the rule of this sentence."""
    for words, what in _ADVICE:
        found = re.search(words, sentence)
        if found:
            return what.format(table=table, column=sentence.split(" ")[0], **found.groupdict())
    return UNKNOWN
