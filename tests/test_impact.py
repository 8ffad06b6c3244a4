"""Pressure does not show impact: the word stands only where that is said."""

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
READ = {".css", ".html", ".js", ".json", ".md", ".py", ".toml"}
SAID = {
    "signal/plantigrade/strike.py: Without it no moment of a swing is called impact: "
    "pressure does not show it.",
    "README.md: ability. Ball impact and the top of the backswing cannot be seen from pressure.",
    "hardware_notes/analysis_json.md: versions lack it. "
    "Without a strike nothing here is an impact.",
}


def test_no_number_is_called_impact():
    folders = [ROOT / name for name in ("gateway", "signal", "hardware_notes")]
    paths = [*ROOT.glob("*.md"), *(path for folder in folders for path in folder.rglob("*"))]
    found = {
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in paths
        if path.suffix in READ and path.is_file()
        for line in path.read_text(encoding="utf-8").splitlines()
        if "impact" in line.lower()
    }
    assert found == SAID
