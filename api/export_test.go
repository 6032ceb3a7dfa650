package api

import "tidemark/internal/bulk"

// Operations is the table of operations, for the walk over the rights.
func Operations() []Operation { return append(builtin(), exportOperations(&bulk.Service{})...) }
