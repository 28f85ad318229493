"""What the names of folders and files say."""

from pathlib import PurePosixPath

import pytest

from greystep.session.file_names import by_folder, by_name, folder_fault


@pytest.mark.parametrize(
    ("folders", "place"),
    [
        ("A/1-16", ("flash", "A", "1-16")), ("day 1/A/1-16", ("flash", "A", "1-16")), ("A", None), ("", None),
        ("A/close", None), ("Ambient", ("ambient", "", "")), ("card/A/1-4", ("card", "A", "1-4")),
        ("A/CARD/1-4", ("card", "A", "1-4")), ("A/1-4/job", ("job", "A", "1-4")), ("dark/1-4", ("dark", "", "1-4")),
        ("ambient/A", ("ambient", "A", "")), ("card/A/close", None), ("card/dark", None), ("check", None),
        ("check/A/full", ("check", "A", "full")),
        ("A/check/full", ("check", "A", "full")), ("flash/A/full", ("flash", "A", "full")), ("A/7", None),
        ("A/200 J", ("flash", "A", "200 J")),
    ],
)  # fmt: skip
def test_the_two_innermost_folders_are_head_and_power(folders: str, place: tuple[str, str, str] | None) -> None:
    assert by_folder([part for part in folders.split("/") if part], None) == place


def test_a_number_is_a_power_where_the_pack_has_a_dial() -> None:
    assert by_folder(["A", "7"], 10.0) == ("flash", "A", "7")
    assert by_folder(["A", "11"], 10.0) is None, "above full"
    assert by_name("A_7_0012", 10.0) == ("flash", "A", "7")
    assert by_name("A_7.5_x_0012", 10.0) == ("flash", "A", "7.5")
    assert by_name("A_7_x_y_z", 10.0) is None, "without a point it is a frame's own number"


def test_why_a_folder_names_no_power() -> None:
    assert (
        folder_fault(PurePosixPath("A/1-16/f.dng")) == "A/1-16: not understood; name folders HEAD/POWER, such as A/1-16"
    )
    assert folder_fault(PurePosixPath("A/close/f.dng")).startswith('A/close: power "close": not understood')


@pytest.mark.parametrize(
    ("stem", "place"),
    [
        ("A_1-16_0001", ("flash", "A", "1-16")), ("key_left_1-16_0001", ("flash", "key_left", "1-16")),
        ("A_full", ("flash", "A", "full")), ("A_1-4_x_1-8_9", ("flash", "A_1-4_x", "1-8")),
        ("A_1-4_x_y_z", ("flash", "A", "1-4")), ("A_1_16_0001", ("flash", "A", "1/16")),
        ("A_1_16", ("flash", "A", "1/16")), ("A_1_3_0001", None), ("A_1_512_7", ("flash", "A", "1/512")),
        ("A_1_1024_7", None), ("A_1_2_1_4_9", ("flash", "A_1_2", "1/4")), ("A_0001", None), ("full_0001", None),
        ("card_A_1-4_0001", ("card", "A", "1-4")), ("A_Card_1-4_0001", ("card", "A", "1-4")),
        ("ambient_0001", ("ambient", "", "")), ("A_ambient_0001", ("ambient", "A", "")),
        ("job_A_1-2_3", ("job", "A", "1-2")), ("check_A_full_3", ("check", "A", "full")), ("check_3", None),
        ("A_1-2_half_x_y", ("flash", "A", "1-2")),
    ],
)  # fmt: skip
def test_a_name_says_head_and_power(stem: str, place: tuple[str, str, str] | None) -> None:
    assert by_name(stem, None) == place
