# The contributor's commands are CI's commands.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
export PLANTIGRADE_DATA ?= $(abspath $(wildcard ../shared/data))

.PHONY: demo test lint types bench chaos clean

$(BIN)/plantigrade: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -e .
	touch $@

$(VENV)/test-ready: pyproject.toml $(BIN)/plantigrade
	$(BIN)/python -m pip install --quiet -e '.[test]'
	touch $@

demo: $(BIN)/plantigrade ## replay the recorded practice session as if the insoles were live
	$(BIN)/plantigrade demo

lint: $(VENV)/test-ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/test-ready
	$(BIN)/mypy

test: lint types ## everything CI runs; pytest's summary line comes last
	$(BIN)/python -m pytest -n 2 --dist worksteal

bench: $(VENV)/test-ready ## timings, as ratios and distributions
	$(BIN)/python -m tests.bench

chaos: $(VENV)/test-ready ## minutes of kills and faults; fails where an event is missing (SEEDS="1 2": as then)
	$(BIN)/python -m tests.support.chaos 180 $(SEEDS)

clean:
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .hypothesis build dist
