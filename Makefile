# make demo   the main job, on the simulated bench
# make check  lint, types and the quick half of the tests, those that start no process
# make test   lint, types and every test but the long ones: three and a half minutes on two cores
# make whole  what `make test` leaves out: long runs, many cases and examples, small studies
# make examples  properties on new examples; `make test` takes the same every time
# make bench  speed, as ratios against a named baseline
# make campaigns  300 campaigns of cable-lengths and of adapter-pairs: is the truth inside U?
# make coverage  how often the stated interval holds the truth, scenario by scenario
# make production  60 simulated items hands-free, killed twice: are all bad ones found?
# make doubts  wrong readings that must not pass, and honest work that must not be bothered
# make mutants  mutants of the arithmetic (mutmut's): does a test notice each? One in ten
# make survival  300 kills at random instants: is anything lost?
# make powercut  600 states in which a power cut leaves a run file: is anything lost?
# make sample the sample run in results/ anew
# make lock   newest versions into the two locks, for running and for developing

PYTHON ?= python3
BIN := .venv/bin
DEMO := demo
# 1 means: done, and some verdict is not a pass. The demo holds a bad crimp.
SOME_FAIL := test $$? -eq 1

# what is compiled once serves every process of the tests
export PYTHONDONTWRITEBYTECODE :=

# as locked, with hashes; tareline itself where it stands
define install
$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r $(1)
$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
endef
UV := 0.13.9
BUILD := setuptools>=77
COMPILE := $(BIN)/uv pip compile --quiet --upgrade --universal --generate-hashes --no-annotate \
    --python-version 3.11 --custom-compile-command 'make lock'

.PHONY: doubts mutants production demo check lint types quick suite test whole examples bench coverage campaigns survival powercut sample lock clean

demo: .venv/installed
	rm -rf $(DEMO)
	$(BIN)/tareline init $(DEMO)
	cd $(DEMO) && ../$(BIN)/tareline run qualify || $(SOME_FAIL)
	cd $(DEMO) && ../$(BIN)/tareline report results/*.h5 --page report.html > /dev/null || $(SOME_FAIL)
	cd $(DEMO) && ../$(BIN)/tareline truth results/*.h5
	@echo "Simulated readings. The report: $(DEMO)/report.html"

# Whole rooms but for two files, so that it is plain what `make check` leaves out: what starts
# processes, draws thousands of connections, fuzzes or draws pages.
QUICK := tests/test_house.py tests/harness/analysis tests/harness/bench tests/harness/station \
	tests/harness/run_file tests/harness/report/files tests/harness/report/tables \
	tests/harness/report/words tests/harness/connections/test_operator_words.py \
	tests/drivers/test_quantities.py tests/drivers/dialects tests/drivers/simulated/described \
	tests/drivers/simulated/scpi --ignore tests/drivers/simulated/scpi/test_scpi_properties.py \
	--ignore tests/harness/run_file/test_history.py

# side by side: types keep one core busy while the tests begin
check: .venv/installed-for-tests
	+$(MAKE) --jobs=3 --output-sync=target lint types quick

test: .venv/installed-for-tests
	+$(MAKE) --jobs=3 --output-sync=target lint types suite

lint: .venv/installed-for-tests
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports --no-cache --no-logo

types: .venv/installed-for-tests
	$(BIN)/mypy

quick: .venv/installed-for-tests
	$(BIN)/pytest --workers 2 $(QUICK)

# more than there are cores: tests wait for timeouts, guards and clocks now and then
suite: .venv/installed-for-tests
	$(BIN)/pytest --workers 3

whole: .venv/installed-for-tests
	HYPOTHESIS_PROFILE=whole $(BIN)/pytest --workers 3 -m "long or hypothesis" --timeout 600

examples: .venv/installed-for-tests
	HYPOTHESIS_PROFILE="new examples" $(BIN)/pytest --workers 2 -m hypothesis

bench: .venv/installed-for-tests
	$(BIN)/python -m tests.benchmarks

campaigns: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.campaigns

coverage: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.coverage

doubts: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.wrong_readings
	$(BIN)/python -m tests.studies.honest_work

mutants: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.mutants

production: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.production

survival: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.survival

powercut: .venv/installed-for-tests
	$(BIN)/python -m tests.studies.powercut

sample: .venv/installed
	rm -rf results/sample $(DEMO)
	$(BIN)/tareline init $(DEMO)
	cd $(DEMO) && ../$(BIN)/tareline run qualify --item PIG-0451 --insertions 4 --sweeps 1
	mkdir -p results/sample
	cp $(DEMO)/results/*.h5 results/sample/qualify-PIG-0451.h5
	$(BIN)/tareline report results/sample/qualify-PIG-0451.h5

.venv/bin/python:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Tareline needs Python 3.11 or newer")'
	$(PYTHON) -m venv .venv

.venv/installed: pyproject.toml requirements.lock | .venv/bin/python
	$(call install,requirements.lock)
	touch $@

.venv/installed-for-tests: pyproject.toml requirements-dev.lock | .venv/bin/python
	$(call install,requirements-dev.lock)
	touch $@ .venv/installed

lock: | .venv/bin/python
	$(BIN)/pip install --quiet 'uv==$(UV)'
	echo '$(BUILD)' | $(COMPILE) pyproject.toml - --output-file requirements.lock
	echo '$(BUILD)' | $(COMPILE) --constraint requirements.lock --extra dev pyproject.toml - \
	    --output-file requirements-dev.lock

clean:
	rm -rf .venv build *.egg-info $(DEMO) .hypothesis .mypy_cache .ruff_cache
