"""Which column of a log is which, whatever a person calls it."""

from greystep.session.log_columns import checked_columns, named_columns


def columns_of(header: str, *rows: str) -> tuple[dict[str, int], list[str]]:
    names, body = header.split(","), [(at + 6, row.split(",")) for at, row in enumerate(rows)]
    faults: list[str] = []
    return checked_columns(named_columns(names, body, faults, 5), names, body, faults, 5), faults


def test_columns_are_found_by_name_whatever_their_case() -> None:
    found, faults = columns_of(" Head ,POWER,Lamp,flags,Pack,", "A,full,x,y,z,")
    assert found == {"head": 0, "power": 1, "Lamp": 2, "flags_log": 3, "pack": 4}
    assert faults == []


def test_a_column_without_a_name_or_there_twice_is_a_fault() -> None:
    assert columns_of("head,power,", "A,full", "A,full, ")[1] == []
    found, faults = columns_of("head,,power,head", "A,full", "A,x,full,B")
    assert found == {"head": 0, "power": 2}
    assert faults == [
        "row 5: column 2 has cells but no name; name it or empty it", 'row 5: column "head" is there twice; keep one',
    ]  # fmt: skip


def test_a_misspelt_column_is_told_and_taken_for_what_it_is() -> None:
    found, faults = columns_of("heads,pover,File,kinds", "A,full,f,flash")
    assert (found["head"], found["power"], found["frame"], found["kind"]) == (0, 1, 2, 3)
    assert faults == [
        'row 5: column "kinds": did you mean kind?', 'row 5: column "heads": did you mean head?',
        'row 5: column "pover": did you mean power?', 'row 5: column "File": did you mean frame?',
    ]  # fmt: skip
    assert columns_of("head,power,bind", "A,full,x")[1] == [], "too unlike"
    assert columns_of("head,power,paks", "A,full,x")[1] == []
    assert columns_of("head,power,packs", "A,full,x")[1] == ['row 5: column "packs": did you mean pack?']


def test_head_and_power_are_missed_where_a_row_is_a_flash() -> None:
    missing = [
        f"row 5: no column {name} (found frame, kind); the first row names frame,head,power"
        for name in ("head", "power")
    ]
    assert columns_of("frame,kind", "f0,ambient", "f1,job")[1] == []
    assert columns_of("frame,kind", "f0,ambient", "f1, Flash ")[1] == missing
    assert columns_of("frame,kind", "f0,ambient", "f1")[1] == missing, "without a kind it is one"
    assert columns_of("frame,kind", "f0,check")[1] == missing
    assert columns_of("frame,kind,heat", "f0,job,x")[1] == [], "like a head's, and none is needed"
    assert columns_of("frame,kind,heat,power", "f0,flash,x,y")[1] == ['row 5: column "heat": did you mean head?']
