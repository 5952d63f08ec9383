# Each target makes its own environment in .venv; none needs root.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := build/demo

.PHONY: help demo test test-fast check pythons tried bench pictures format docs lock audit wheel clean serve-demo
.DELETE_ON_ERROR:
# Each command that is started would compile the project anew.
unexport PYTHONDONTWRITEBYTECODE

help: ## what there is
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /  make \1\t/' | expand -t 20

$(VENV)/bin/python:
	$(PYTHON) -c 'import sys; assert (3, 11) <= sys.version_info < (3, 15), "Python 3.11 to 3.14 is needed (make PYTHON=python3.11 ...)"'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: requirements.lock pyproject.toml cliplib/search/patterns/kernel.c | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.dev: requirements-dev.lock pyproject.toml cliplib/search/patterns/kernel.c | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@ $(VENV)/.run

demo: $(VENV)/.run ## the whole job on the demo fights: footage, ingest, three searches, a reel
	$(BIN)/python -m fixtures.walk $(DEMO)

serve-demo: demo ## the same, then the pages on http://127.0.0.1:8321
	$(BIN)/cliplib --library $(DEMO)/library serve --port 8321

test: $(VENV)/.dev ## set up all it needs and run every test
	.ci/browser
	$(BIN)/python -m pytest -n 2 --dist loadgroup

test-fast: $(VENV)/.dev ## the tests that need no film, no browser and no waiting: for work in between
	$(BIN)/python -m pytest -q -n 2 --dist loadgroup -m "not browser and not slow and not film"

check: $(VENV)/.dev ## format, lint, types, docs freshness, tests, other Pythons
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/python -m tests.house.docs
	$(MAKE) test
	$(MAKE) pythons

pythons: $(VENV)/.dev ## the main job and the media tests on each other Python from 3.11 to 3.14 that is here
	$(BIN)/python -m tests.house.pythons

tried: $(VENV)/.dev ## the same with the lowest and the highest version of each direct dependency
	$(BIN)/python -m tests.house.pythons --range

format: $(VENV)/.dev ## put the code into its format
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

docs: $(VENV)/.dev ## write the generated parts of the documents anew
	$(BIN)/python -m tests.house.docs --write

bench: $(VENV)/.dev ## ratios against what people would do otherwise
	$(BIN)/python -m tests.bench

pictures: $(VENV)/.dev ## pictures of every page into build/pictures, two of them for the README
	$(BIN)/python -m tests.web.pictures

# One version of each for all Pythons; a fork by Python version in there is one that has no wheel for all of them.
lock: ## pin every dependency, with hashes
	$(VENV)/bin/python -m pip install --quiet uv
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --fork-strategy fewest --generate-hashes --no-header --extra demo --group build pyproject.toml -o requirements.lock
	$(BIN)/uv pip compile --quiet --universal --python-version 3.11 --fork-strategy fewest --generate-hashes --no-header --extra dev --group build pyproject.toml -c requirements.lock -o requirements-dev.lock

# In an environment of its own, so that nothing pinned is changed. What cannot be asked counts as not audited.
audit: ## look the pinned versions up for known holes (needs a package index that knows of them)
	$(PYTHON) -m venv build/audit
	build/audit/bin/python -m pip install --quiet --disable-pip-version-check pip-audit
	@for lock in requirements.lock requirements-dev.lock; do \
	  build/audit/bin/pip-audit --strict --progress-spinner off --disable-pip --require-hashes -r $$lock || { \
	    echo "$$lock is NOT audited as free of known holes: some were found (listed above), or the package index"; \
	    echo "that is set up here does not tell about them. Run this where the public index can be asked."; exit 1; }; \
	done

wheel: $(VENV)/.dev ## build the wheel into dist/
	$(BIN)/python -m build --quiet --wheel --no-isolation

clean: ## remove what was built (not the environment)
	rm -rf build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
