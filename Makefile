.DEFAULT_GOAL := help
.PHONY: demo test lint clean help environment

PYTHON := .venv/bin/python
GERMSTATS := $(PYTHON) -m germstats

# two test workers share the cores; more threads inside each only slow both down
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1

demo: environment  ## write the demonstration nursery to output/demo, check it, fit it, print its sowing table, write its page
	$(GERMSTATS) demo output/demo --force
	$(GERMSTATS) check output/demo || test $$? -eq 1  # its planted mistakes are meant to be found
	$(GERMSTATS) fit output/demo
	$(GERMSTATS) sow output/demo
	$(GERMSTATS) report output/demo -o output/season-page.html --force

test: lint  ## lint, types and tests, without the longer studies
	$(PYTHON) -m pytest -n 2 --dist loadfile -m "not slow"

lint: environment  ## ruff and mypy
	$(PYTHON) -m ruff check .
	$(PYTHON) -m ruff format --check .
	$(PYTHON) -m mypy

environment:
	@.ci/environment

clean:  ## remove outputs, caches and the environment
	rm -rf output build .venv .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage *.egg-info
	find germstats tests analyses datasets -name __pycache__ -type d -prune -exec rm -rf {} +

help:  ## this list
	@sed -n 's/^\([a-z]*\):.*  ## \(.*\)/make \1 - \2/p' Makefile
