"""Write the folder of synthetic data: ``python data_synthetic/make_data.py``; the same seed gives the same bytes."""

import json
from dataclasses import asdict
from pathlib import Path

import pandas as pd
from invented_clinic import RETEST_TESTS, Truth, make_clinic, make_retest
from workbooks import cells, make_messy, write_workbook

from truechange.measures.catalogue import measure

FIRST = "chair_stand_30s"
FILES: tuple[str, ...] = ("README.md", "assessments.csv", "clinic.xlsx", "clinic_messy.xlsx", "people.csv")
FILES += ("ratings.csv", "retest.csv", "sessions.csv", "truth.json")


def write_demo(folder: str | Path, *, seed: int = 20250109) -> list[Path]:
    """Write the synthetic clinic into `folder` (made if needed; files of the same name are replaced).

    Parameters
    ----------
    folder : str or Path
        Where to write.
    seed : int
        Same seed, same bytes (for the same versions of numpy and openpyxl).

    Returns
    -------
    list of Path
        The files written: clinic.xlsx, one CSV a table, retest.csv, clinic_messy.xlsx, truth.json, README.md.
    """
    home = Path(folder)
    home.mkdir(parents=True, exist_ok=True)
    tables, truth = make_clinic(seed=seed)
    retest = make_retest(seed=seed + 1)
    messy, planted = make_messy(tables)
    for name, table in (*tables.items(), ("retest", retest)):
        table.to_csv(home / f"{name}.csv", index=False, float_format="%g", date_format="%Y-%m-%d", lineterminator="\n")
    write_workbook(home / "clinic.xlsx", {name: cells(table) for name, table in tables.items()})
    write_workbook(home / "clinic_messy.xlsx", messy)
    story = _truth_record(truth, tables, planted, seed)
    _write(home / "truth.json", json.dumps(story, indent=1, ensure_ascii=False) + "\n")
    template = (Path(__file__).parent / "readme_template.txt").read_text(encoding="utf-8")
    _write(home / "README.md", template.format(**_readme_facts(truth, story)))
    return [home / name for name in FILES]


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _truth_record(truth: Truth, tables: dict[str, pd.DataFrame], planted: list[dict[str, object]], seed: int) -> dict:
    gain = truth.improvement(FIRST)
    inside = truth.people["programme"] == "leg power"
    trained = truth.people.loc[inside, "person"]
    first = truth.values[truth.values["measure"] == FIRST]
    return {
        "seed": seed,
        "scenario": asdict(truth.scenario),
        "first_test": {
            "measure": FIRST,
            "sem_with_rounding": round((truth.scenario.tests[0].error ** 2 + 1 / 12) ** 0.5, 4),
            "mcid": truth.scenario.mcid,
            "practice_gain_baseline_to_discharge": round(
                truth.scenario.tests[0].error * (truth.scenario.learning[3] - truth.scenario.learning[1]), 4
            ),
            "drawn": {
                "started": int(inside.sum()),
                "waiting": int((~inside).sum()),
                "mean_true_improvement": round(float(gain[trained].mean()), 4),
                "sd_true_improvement": round(float(gain[trained].std()), 4),
                "share_at_least_mcid": round(truth.share(FIRST, truth.scenario.mcid), 4),
                "mean_true_improvement_waiting": round(float(gain.drop(trained).mean()), 4),
                "rated": len(tables["ratings"]),
                "share_rated_improved": round(float((tables["ratings"]["rating"] >= 1).mean()), 4),
            },
        },
        "planted_in_clinic_messy": planted,
        "people": truth.people[["person", "own_mcid", "adherence"]]
        .merge(first[["person", "true_before", "true_after"]])
        .round(3)
        .to_dict("records"),
    }


def _readme_facts(truth: Truth, story: dict) -> dict[str, object]:
    lines = []
    for test in truth.scenario.tests:
        facts, percent = measure(test.key), 100 if test.ratio else 1
        parts = (test.spread, test.gain, test.gain_spread, test.error)
        shown = "{:.0f}%" if test.ratio else "{:.2f} " + facts.unit
        lines.append(
            " | ".join(
                [f"| `{test.key}`", f"{test.centre:g} {facts.unit}", *(shown.format(percent * one) for one in parts)]
            )
            + " |"
        )
    row = "| {sheet} | {row} | {column} | {problem} |"
    faults = [row.format(**fault) for fault in story["planted_in_clinic_messy"]]
    return {
        **asdict(truth.scenario),
        **story["first_test"]["drawn"],
        "seed": story["seed"],
        "sem": story["first_test"]["sem_with_rounding"],
        "practice": story["first_test"]["practice_gain_baseline_to_discharge"],
        "test_lines": "\n".join(lines),
        "fault_lines": "\n".join(faults),
        "retest_tests": ", ".join(f"`{key}`" for key in RETEST_TESTS),
    }


if __name__ == "__main__":
    write_demo(Path(__file__).parent)
