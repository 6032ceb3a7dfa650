module tidemark/internal/browser

go 1.26.0

ignore ./node_modules
