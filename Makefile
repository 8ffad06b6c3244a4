# The contributor's commands are CI's commands.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
export PLANTIGRADE_DATA ?= $(abspath $(wildcard ../shared/data))

# compiled modules and rewritten tests are kept, whatever the shell says: half of the time to collect
PYTEST := PYTHONDONTWRITEBYTECODE= PYTHONPYCACHEPREFIX=$(abspath $(VENV))/pycache $(BIN)/python -m pytest
# The quick tests' files lie in memory, where 4 GiB are free: waiting for a disk is half of their time.
FREE_KB := $(shell df -k --output=avail /dev/shm 2>/dev/null | tail -n 1)
ifeq ($(shell test "0$(FREE_KB)" -ge 4194304 && echo enough),enough)
QUICK := TMPDIR=/dev/shm
endif
# one more than cores: a third of it waits
ALL := -n 3 --dist worksteal

PARTS := check-numbers check-store check-others
.PHONY: demo check $(PARTS) test slow ci lint types mutants bench chaos hostile clean

$(BIN)/plantigrade: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -e .
	touch $@

$(VENV)/test-ready: pyproject.toml $(BIN)/plantigrade
	$(BIN)/python -m pip install --quiet -e '.[test]'
	touch $@

demo: $(BIN)/plantigrade ## two invented players in the store; the recorded practice as if the insoles were live
	$(BIN)/plantigrade players demo
	$(BIN)/plantigrade demo

lint: $(VENV)/test-ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/test-ready
	$(BIN)/mypy

check: $(VENV)/test-ready ## under a minute: before each commit
	+$(MAKE) --no-print-directory --jobs=3 --output-sync $(PARTS) lint types

# The quick tests in three parts of about one length, each a plain run of pytest in a program of its own:
# handing thousands of short tests to workers, each of which imports and collects them all, doubles their time.
GATEWAY := tests/plantigrade_gateway
NUMBERS := tests/plantigrade $(addprefix $(GATEWAY)/,check coach drills record sound virtual wire)
STORE := $(addprefix $(GATEWAY)/,people session store web/door web/desk)
check-numbers: PART = $(NUMBERS)
check-store: PART = $(STORE)
check-others: PART = tests $(addprefix --ignore=,$(NUMBERS) $(STORE))
$(PARTS): $(VENV)/test-ready
	$(QUICK) $(PYTEST) -q -m 'not dear and not slow' $(PART)

test: lint types ## before a change is handed on; pytest's summary line comes last
	$(PYTEST) $(ALL) -m 'not slow'

slow: $(VENV)/test-ready ## half an hour: all tests of over three seconds, a million packets, chaos, many kills
	$(PYTEST) $(ALL) -m slow

ci: lint types ## test and slow in one run, with one summary line
	$(PYTEST) $(ALL)

bench: $(VENV)/test-ready ## 25 minutes, on an idle machine: what each path costs, into hardware_notes/performance.md
	$(BIN)/python -m tests.bench --table

mutants: $(VENV)/test-ready ## change the code of AREA in N places (SEED: the same again); which does no test notice?
	$(BIN)/python -m tests.support.mutants $(AREA) $(or $(N),20) $(SEED)

hostile: $(VENV)/test-ready ## most of an hour: 5,000 spoilt inputs for each way in
	HOSTILE=5000 $(PYTEST) $(ALL) tests/test_hostile.py

chaos: $(VENV)/test-ready ## minutes of kills and faults; fails where an event is missing (SEEDS="1 2": as then)
	$(BIN)/python -m tests.support.chaos 180 $(SEEDS)
	$(BIN)/python -m tests.support.sitechaos 120 $(SEEDS)

clean:
	rm -rf $(VENV) .mypy_cache .pytest_cache .ruff_cache .hypothesis build dist
