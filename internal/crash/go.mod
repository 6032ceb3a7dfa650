module tidemark/internal/crash

go 1.26.0

require modernc.org/sqlite v1.62.0
