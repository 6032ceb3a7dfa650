module tidemark/internal/bench

go 1.26.0

require (
	github.com/gin-gonic/gin v1.12.0
	modernc.org/sqlite v1.62.0
)
