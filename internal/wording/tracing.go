package wording

// tracing holds the words of traces, exercises in tracing and recall lists.
var tracing = map[string]text{
	"kind.exercise.started":  {"exercise in tracing started", "ejercicio de rastreo iniciado"},
	"kind.exercise.finished": {"exercise in tracing finished", "ejercicio de rastreo terminado"},

	"refusal.bad-subject":      {"An exercise begins with a lot, a box or a lot of a material.", "Un ejercicio parte de un lote, una caja o un lote de un material."},
	"refusal.unknown-subject":  {"Nothing is recorded of that lot or box.", "No hay registros de ese lote o caja."},
	"refusal.unknown-exercise": {"There is no such exercise.", "No existe ese ejercicio."},
	"refusal.finished-already": {"This exercise is finished already.", "Este ejercicio ya está terminado."},

	"recall.caution": {"Whether product is taken back, who is told and how is decided by the person responsible, under the law of the place and with the competent authority. This list is an aid: it shows what was recorded.",
		"Si se retira producto, a quién se avisa y cómo lo decide la persona responsable, según la ley del lugar y con la autoridad competente. Esta lista es una ayuda: muestra lo que se registró."},
}
