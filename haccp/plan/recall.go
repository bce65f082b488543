package plan

// Recall says how the plant keeps itself able to trace and to take product back.
type Recall struct {
	// Roles may sign the end of a traceability exercise; none: the manager.
	Roles []string `yaml:"roles" json:"roles,omitempty"`
	// Every is how often an exercise is to be held, and Within how long one may take from start to signed end; zero: the
	// plan does not say.
	Every  Duration `yaml:"every" json:"every,omitzero"`
	Within Duration `yaml:"within" json:"within,omitzero"`
	// Instructions say what to do when product that left the plant is affected: who is told, who decides.
	Instructions string `yaml:"instructions" json:"instructions,omitempty"`
}

// Signers are the roles that may sign the end of an exercise.
func (r *Recall) Signers() []string {
	if len(r.Roles) == 0 {
		return []string{"manager"}
	}
	return r.Roles
}

// recall checks the part about tracing and taking back.
func (c *checker) recall() {
	if r := &c.p.Recall; len(r.Roles) > 0 {
		c.roles("recall.roles", r.Roles)
	}
}
