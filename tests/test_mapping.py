from pathlib import Path

import pytest

from pipeline.case_tables import TABLES
from pipeline.faults import NeedsMending
from pipeline.mapping import ExportMapping, load_mapping, unit_factor


def mapping_file(folder: Path, content: str) -> Path:
    path = folder / "mapping.toml"
    path.write_text(content, encoding="utf-8")
    return path


def faults_of(folder: Path, content: str) -> tuple[str, ...]:
    with pytest.raises(NeedsMending) as caught:
        load_mapping(mapping_file(folder, content))
    return caught.value.lines


def test_without_a_mapping_file_every_table_is_in_the_default_layout() -> None:
    mapping = load_mapping(None)
    assert mapping == ExportMapping()
    assert [mapping.table(t.name).header(t.key) for t in TABLES] == [t.key for t in TABLES]


def test_every_part_of_a_mapping_is_taken(tmp_path: Path) -> None:
    mapping = load_mapping(
        mapping_file(
            tmp_path,
            """
            [lesions]
            file = "occlusions.csv"
            encoding = "cp1252"
            separator = ";"
            decimal = ","
            thousands = "."
            dates = "%d/%m/%Y"
            drop = ["Surname", "Notes"]
            [lesions.columns]
            length_mm = "Length (cm)"
            [lesions.units]
            length_mm = "cm"
            [lesions.codes.prior_bypass]
            "0" = "none"
            "9" = ""
            [lesions.constants]
            calcium_scale = "pacss"
            """,
        )
    ).table("lesions")
    assert mapping.header("length_mm") == "Length (cm)"
    assert mapping.drop == ("Surname", "Notes")
    assert mapping.codes == {"prior_bypass": {"0": "none", "9": ""}}
    assert mapping.constants == {"calcium_scale": "pacss"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("[lesion]\n", "[lesion] is not a table"),
        ("[lesions]\ncolour = 'x'\n", "[lesions.colour] is not a setting"),
        ("[lesions]\nfile = 3\n", "[lesions.file] should be text"),
        ("[lesions]\nfile = '../x.csv'\n", "inside the folder of tables"),
        ("[lesions]\nfile = '/etc/x.csv'\n", "inside the folder of tables"),
        ("[lesions]\nfile = 'x.csv'\nsheet = 'S'\n", "not a workbook"),
        ("[lesions]\nencoding = 'base64'\n", "encoding = 'base64' is not known"),
        ("[lesions]\nencoding = 'cp9999'\n", "encoding = 'cp9999' is not known"),
        ("[lesions]\nseparator = ';;'\n", "separator should be one sign"),
        ("[lesions]\ndecimal = ';'\n", "decimal should be"),
        ("[lesions]\nthousands = '.'\n", "the same sign"),
        ("[procedures]\ndates = '%m/%Y'\n", "does not give day, month and year"),
        ("[lesions.columns]\nlenght_mm = 'L'\n", "'lenght_mm' is not a column of lesions"),
        ("[lesions.columns]\nlength_mm = 'L'\nfp_grade = 'L'\n", "'L' is given to both length_mm and fp_grade"),
        ("[lesions]\ndrop = ['L']\n[lesions.columns]\nlength_mm = 'L'\n", "both dropped and used"),
        ("[lesions]\ndrop = ['l']\n[lesions.columns]\nlength_mm = 'L'\n", "both dropped and used"),
        ("[lesions]\ndrop = ['lesion_id']\n", "[lesions] drop: 'lesion_id' is needed; it cannot be dropped"),
        ("[lesions]\ndrop = [' Segment']\n", "[lesions] drop: 'segment' is needed; it cannot be dropped"),
        ("[lesions.units]\nlength_mm = 'Gy'\n", "'Gy' is not one of mm, cm, m, in"),
        ("[lesions.units]\nfp_grade = 'mm'\n", "no unit to be converted"),
        ("[lesions.codes.length_mm]\n'1' = 'x'\n", "length_mm holds no codes"),
        ("[lesions.codes.prior_bypass]\n'1' = 'patnt'\n", "'patnt' (for '1') is not one of none, patent, occluded"),
        ("[lesions.codes.in_stent]\n'J' = 'yes'\n", "'yes' (for 'J') is not one of true, false"),
        ("[lesions.codes.in_stent]\n'J' = 'true'\n'j' = 'false'\n", "differ only in capitals"),
        ("[lesions.constants]\ncalcium_scale = 'agatston'\n", "is not one of pacss, parc, descriptive"),
        ("[lesions.constants]\nlength_mm = 9000\n", "a number from 1 to 900"),
        ("[lesions.constants]\nlength_mm = inf\n", "a number from 1 to 900"),
        ("[lesions.constants]\nin_stent = 'no'\n", "true or false, without quotes"),
        ("[lesions.constants]\nprocedure_id = 'x'\n", "is a key"),
        ("[procedures.constants]\nprocedure_date = '3.4.2024'\n", "a date in quotes"),
        ("[lesions\n", "not a TOML file"),
    ],
)
def test_a_fault_in_the_mapping_is_told_with_its_place(tmp_path: Path, content: str, said: str) -> None:
    (line,) = faults_of(tmp_path, content)
    assert line.startswith("mapping.toml: ")
    assert said in line


def test_all_faults_of_a_mapping_are_told_at_once(tmp_path: Path) -> None:
    lines = faults_of(tmp_path, "[lesion]\n[attempts.units]\nminutes = 'mm'\n[patients.codes.sex]\n'1' = 'man'\n")
    assert len(lines) == 3


def test_a_mapping_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(NeedsMending, match="cannot be read"):
        load_mapping(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("table", "column", "unit", "factor"),
    [
        ("lesions", "length_mm", "cm", 10.0),
        ("lesions", "length_mm", "in", 25.4),  # exact by definition: international inch, 1959
        ("procedures", "air_kerma_mgy", "Gy", 1000.0),
        ("procedures", "contrast_ml", "L", 1000.0),
        ("procedures", "duration_min", "h", 60.0),
        ("procedures", "toe_pressure_mmhg", "kPa", 7.500617),  # NIST SP 811 (2008): 1 mmHg = 0.1333224 kPa
    ],
)
def test_a_unit_is_converted_by_its_published_factor(table: str, column: str, unit: str, factor: float) -> None:
    found = unit_factor(next(t for t in TABLES if t.name == table).column(column), unit)
    assert found == pytest.approx(factor, rel=3e-6)  # the published value has seven figures


@pytest.mark.parametrize("file", ["cases.xlsb", "cases.pdf", "Cases.TAR.GZ", "cases.docx", "cases.por"])
def test_a_file_of_a_kind_that_is_not_read_is_told_before_anything_is_read(tmp_path: Path, file: str) -> None:
    (line,) = faults_of(tmp_path, f"[lesions]\nfile = '{file}'\n")
    assert (
        line
        == f"mapping.toml: [lesions] file = '{file}' is of a kind that is not read; save the table as .csv, .xlsx or .parquet"
    )


@pytest.mark.parametrize("file", ["export.xls", "export.ods", "all.zip", "all.zip/export.xlsx", "export.xlsx.gz"])
def test_a_sheet_may_be_named_wherever_a_workbook_can_be(tmp_path: Path, file: str) -> None:
    path = tmp_path / "mapping.toml"
    path.write_text(f"[lesions]\nfile = '{file}'\nsheet = 'Lesions'\n", encoding="utf-8")
    assert load_mapping(path).table("lesions").sheet == "Lesions"


@pytest.mark.parametrize(
    ("site", "kind"), [("Dr. Jane Invented", "names of persons"), ("invented@example.org", "e-mail addresses")]
)
def test_a_site_stated_for_all_rows_is_held_against_the_identifier_guard(tmp_path: Path, site: str, kind: str) -> None:
    (line,) = faults_of(tmp_path, f"[procedures.constants]\nsite_id = '{site}'\n")
    assert f"site_id looks like a direct identifier ({kind})" in line and site not in line
    path = tmp_path / "site.toml"
    path.write_text("[procedures.constants]\nsite_id = 'North-1'\n", encoding="utf-8")
    assert load_mapping(path).table("procedures").constants == {"site_id": "North-1"}
