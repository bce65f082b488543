module linewarden/libraries

go 1.26.0

require (
	github.com/cockroachdb/apd/v3 v3.2.3
	github.com/govalues/decimal v0.1.36
	github.com/shopspring/decimal v1.6.0
)
