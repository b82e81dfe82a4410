"""Exit codes beside 0, 1 and 2: each has one meaning in all commands."""

NOTHING = 3
"""The run ended without a result: nothing measured, nothing answered, a search that is not over."""
BAD_NEWS = 4
"""There is a result, and it is bad: outside limits, different, not fine, not the same again."""
NOT_SURE = 5
"""There is a result, but it is not whole or not sure: cut short, some left out, cannot tell."""
MEANINGS = {
    0: "done, with a result",
    1: "refused or failed: one sentence says why",
    2: "an option or argument is wrong",
    NOTHING: "ended without a result: nothing measured, or a search that is not over",
    BAD_NEWS: "a result, and it is bad news: outside the limits, differs, not the same again",
    NOT_SURE: "a result that is not whole or not sure: cut short, parts left out, cannot tell",
}
