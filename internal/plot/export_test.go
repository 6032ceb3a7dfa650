package plot

// Describe says in words what the picture shows, for those who do not see it.
func Describe(c Course) string {
	c, _ = c.prepared()
	return c.describe()
}
