"""Text maps of invented instruments, one for each way a record can end and be checked."""

SENTENCE = """
[record]
shape = "sentence"
start = "$"
tag = "SHN"
fields = 5
[check]
kind = "xor"
mark = "*"
[[point]]
quantity = "bank_v"
position = 1
min = 5
max = 34
[[point]]
quantity = "bank_a"
position = 2
min = -100
max = 100
[[point]]
quantity = "bank_ah_counter"
position = 3
[[point]]
quantity = "bank_c"
position = 4
missing = "---"
"""
_PAIR_POINTS = """
[[point]]
quantity = "bank_v"
key = "U_MV"
scale = 0.001
min = 5
max = 34
[[point]]
quantity = "bank_a"
key = "I_MA"
scale = 0.001
min = -100
max = 100
[[point]]
quantity = "bank_c"
key = "T"
missing = "none"
optional = true
"""
PAIRS_BLANK_LINE = f"""
[record]
shape = "pairs"
ends = "blank-line"
equals = ": "
[check]
kind = "crc16"
mark = "CRC: "
covers = "whole"
{_PAIR_POINTS}
"""
PAIRS_ON_A_LINE = f"""
[record]
shape = "pairs"
separator = ";"
line_end = "\\n"
[check]
kind = "sum8"
mark = ";S="
notation = "decimal"
{_PAIR_POINTS}
"""
PAIRS_RAW_BYTE = f"""
[record]
shape = "pairs"
ends = "check"
equals = "\\t"
[check]
kind = "sum8"
mark = "SUM\\t"
notation = "byte"
covers = "whole"
zero_sum = true
{_PAIR_POINTS}
"""
PAIRS_FIRST_KEY = f"""
[record]
shape = "pairs"
ends = "first-key"
first_key = "U_MV"
fields = 3
[check]
kind = "none"
{_PAIR_POINTS.replace("optional = true", "")}
"""
BARE = """
[record]
shape = "sentence"
separator = ";"
decimal = ","
fields = 3
[check]
kind = "none"
[[point]]
quantity = "bank_v"
position = 0
min = 5
max = 34
[[point]]
quantity = "bank_a"
position = 1
min = -100
max = 100
[[point]]
quantity = "bank_c"
position = 2
missing = "n/a"
"""
FORMS = {
    "sentence": SENTENCE,
    "blank-line": PAIRS_BLANK_LINE,
    "on-a-line": PAIRS_ON_A_LINE,
    "raw-byte": PAIRS_RAW_BYTE,
    "first-key": PAIRS_FIRST_KEY,
    "bare": BARE,
}
CHECKED = ("sentence", "blank-line", "on-a-line", "raw-byte")
