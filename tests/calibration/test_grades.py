import pytest

from calibration.grades import doubt_about_grade


@pytest.mark.parametrize("grade", ["75W-90", "SAE 75w-90", "90", " 75W "])
def test_a_fitting_viscosity_leaves_no_doubt(grade: str) -> None:
    assert doubt_about_grade(grade, 15.2) is None


@pytest.mark.parametrize(("grade", "kv100"), [("75W-90", 25.0), ("75W-90", 9.0), ("85W-140", 15.2)])
def test_another_grades_viscosity_is_doubted(grade: str, kv100: float) -> None:
    doubt = doubt_about_grade(grade, kv100)
    assert doubt is not None
    assert "SAE J306" in doubt


@pytest.mark.parametrize("grade", ["5W-30", "75W-95", "gear oil", "", "ISO 220"])
def test_a_grade_of_another_table_is_refused(grade: str) -> None:
    with pytest.raises(ValueError, match=r"gear-oil grade is .*, expected a combination"):
        doubt_about_grade(grade, 15.2)
