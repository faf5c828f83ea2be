# make alone lists the targets.
.DEFAULT_GOAL := help
.PHONY: help build test race soak drift flags fuzz golden bench lint fmt check demo oracle

LINT := github.com/golangci/golangci-lint/v2/cmd/golangci-lint@v2.15.0

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-8s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

build: ## build bin/glueline
	CGO_ENABLED=0 go build -o bin/glueline ./cmd/glueline

test: ## install or name what is missing, then format, vet and every test; a skip fails
	@bash .ci/needs
	@bash .ci/test

race: ## the packages with goroutines under the race detector
	@bash .ci/needs race
	CGO_ENABLED=1 go test -race -count=1 ./pipeline/journal/... ./pipeline/worker/... ./sinks/...

soak: ## kill -9 of the service under load, SOAK (100) times and more, with the phases that were hit
	@bash .ci/needs
	GLUELINE_SOAK=$${SOAK:-100} go test -count=1 -v -timeout 60m -run '^TestKilled' ./cmd/glueline/faults

drift: ## causes of drift on DRIFT (30) made-up channels a kind, from a seed drawn now: the tables of deploy/DRIFT.md
	GLUELINE_DRIFT=$${DRIFT:-30} go test -count=1 -v -timeout 30m -run '^TestStudy$$' ./pipeline/drift/study
	GLUELINE_DRIFT=1 go test -count=1 -v -timeout 30m -run '^TestFortnight$$' ./cmd/glueline

flags: ## every flag on simulated faults, restarts and clean data, the long form: the figures of deploy/FLAGS.md
	GLUELINE_FLAGS=1 go test -count=1 -v -timeout 30m ./pipeline/flag/trial

fuzz: ## every fuzz target for FUZZTIME (30s)
	@bash .ci/fuzz

golden: ## rewrite the golden files; look at the difference before committing it
	go test -count=1 $$(grep -rl 'flag.Bool("update"' --include='*_test.go' . | xargs -n 1 dirname | sort -u) -update

bench: ## speed as ratios to NumPy, pandas and cp
	@bash .ci/needs pandas
	go run ./cmd/bench

oracle: ## the same data reduced by NumPy, and the bridges by a nodal network
	@bash .ci/needs
	go test -count=1 -v -run 'Network|IndependentProgram' ./reduce/... ./pipeline/channel/...

demo: ## the whole job on an invented lock gate
	go run ./cmd/glueline demo

lint: ## golangci-lint at the pinned version (its first build takes minutes)
	go run $(LINT) run

fmt: ## gofmt, with our imports in a group of their own
	go run $(LINT) fmt

check: ## what CI runs
	bash .ci/run
