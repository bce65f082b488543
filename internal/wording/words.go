package wording

// words are single words by code: verdicts, states, dues, classes, roles, parts and how a thing was known.
var words = map[string]text{
	"verdict.inside":        {"inside", "dentro"},
	"verdict.act":           {"act", "actuar"},
	"verdict.outside":       {"outside", "fuera"},
	"verdict.not-evaluated": {"not evaluated", "no evaluado"},

	"reason.not-measured":    {"not measured in this sample", "no se midió en esta muestra"},
	"reason.no-formula-yet":  {"this computed value is not worked out yet", "este valor calculado aún no se obtiene"},
	"reason.over-range":      {"over the range of the method", "sobre el intervalo del método"},
	"reason.needs-dilution":  {"the method cannot tell: dilute the sample and test again", "el método no alcanza: diluya la muestra y pruebe de nuevo"},
	"reason.not-a-number":    {"the kind of answer does not fit the limit", "el tipo de respuesta no corresponde al límite"},
	"reason.no-bound":        {"the limit has no bound", "el límite no tiene valor"},
	"reason.unit-no-convert": {"the unit cannot be compared with the limit", "la unidad no se puede comparar con el límite"},
	"reason.guard-band":      {"inside the limit as written, but within its safety margin", "dentro del límite escrito, pero en su margen de seguridad"},

	"state.inside":     {"inside", "dentro"},
	"state.act":        {"act", "actuar"},
	"state.outside":    {"outside", "fuera"},
	"state.not-known":  {"not known", "no se sabe"},
	"state.not-in-use": {"not in use", "sin uso"},

	"due.upcoming": {"next", "próxima"},
	"due.due":      {"can be done now", "ya se puede hacer"},
	"due.late":     {"late", "tarde"},
	"due.missed":   {"missed", "no hecha"},

	"row.interval": {"while the line runs", "mientras la línea trabaja"},
	"row.cron":     {"by the clock", "por horario"},
	"row.event":    {"after a filling or addition", "después de llenar o agregar"},

	"class.ccp":        {"critical control point (CCP)", "punto crítico de control (PCC)"},
	"class.oprp":       {"operational prerequisite programme (OPRP)", "programa de prerrequisito operativo (PPRO)"},
	"class.sanitation": {"sanitation control", "control de saneamiento"},
	"class.quality":    {"quality point", "punto de calidad"},

	"limit.critical":  {"critical limit", "límite crítico"},
	"limit.operating": {"operating limit", "límite operativo"},
	"limit.action":    {"action criterion", "criterio de acción"},

	"role.technician":    {"sanitation technician", "técnico de saneamiento"},
	"role.line_lead":     {"line lead", "encargado de línea"},
	"role.laboratory":    {"laboratory analyst", "analista de laboratorio"},
	"role.manager":       {"food-safety manager", "responsable de inocuidad"},
	"role.auditor":       {"auditor", "auditor"},
	"role.administrator": {"administrator", "administrador"},
	"role.device":        {"device", "dispositivo"},
	"role.timetable":     {"timetable", "programador"},
	"role.group":         {"group", "grupo"},
	"role.console":       {"console", "consola"},

	"part.control-restored":  {"control restored", "control restablecido"},
	"part.product-evaluated": {"product evaluated", "producto evaluado"},
	"part.cause-and-action":  {"cause and corrective action", "causa y acción correctiva"},
	"part.effectiveness":     {"effectiveness checked", "eficacia verificada"},
	"part.closed":            {"closed", "cerrada"},
	"part.fix-only":          {"immediate fix only", "solo corrección inmediata"},
	"part.taken-in-time":     {"taken in time, received late", "tomada a tiempo, recibida tarde"},

	"case.deviation":     {"deviation", "desviación"},
	"case.nonconformity": {"nonconformity", "no conformidad"},

	"ground.excursion":           {"readings outside a limit", "lecturas fuera de un límite"},
	"ground.missed check":        {"missed check", "verificación no hecha"},
	"ground.start without proof": {"start without proof", "arranque sin prueba"},

	"status.open":    {"open", "abierta"},
	"status.overdue": {"open, overdue", "abierta, vencida"},
	"status.closed":  {"closed", "cerrada"},

	"reopened.grew":          {"late facts widened it", "datos tardíos la ampliaron"},
	"reopened.not effective": {"the action had no effect", "la acción no tuvo efecto"},

	"known.password":       {"password", "contraseña"},
	"known.PIN":            {"PIN", "PIN"},
	"known.badge":          {"badge", "gafete"},
	"known.PIN unverified": {"PIN, not verified", "PIN, sin verificar"},
	"known.device token":   {"device token", "clave del dispositivo"},
	"known.timetable":      {"timetable", "programador"},
	"known.group":          {"group", "grupo"},
	"known.import":         {"import", "importación"},
	"known.probe":          {"probe", "sonda"},
	"known.console":        {"console", "consola"},

	"atknown.device":   {"stamped by the device", "hora puesta por el dispositivo"},
	"atknown.typed":    {"time typed by hand", "hora escrita a mano"},
	"atknown.imported": {"time from an imported file", "hora de un archivo importado"},
	"atknown.server":   {"stamped by the server", "hora puesta por el servidor"},

	"mode.hand":   {"by hand", "a mano"},
	"mode.device": {"by a device", "por un dispositivo"},

	"placekind.bath":    {"bath", "tina"},
	"placekind.line":    {"line", "línea"},
	"placekind.table":   {"table", "mesa"},
	"placekind.machine": {"machine", "máquina"},
	"placekind.room":    {"room", "cuarto"},

	"hazard.biological": {"biological", "biológico"},
	"hazard.chemical":   {"chemical", "químico"},
	"hazard.physical":   {"physical", "físico"},

	"answer.yes": {"yes", "sí"},
	"answer.no":  {"no", "no"},
}

// quantities are the measured quantities by their id.
var quantities = map[string]text{
	"quantity.free_chlorine":          {"Free chlorine (as Cl₂)", "Cloro libre (como Cl₂)"},
	"quantity.total_chlorine":         {"Total chlorine (as Cl₂)", "Cloro total (como Cl₂)"},
	"quantity.combined_chlorine":      {"Combined chlorine (as Cl₂)", "Cloro combinado (como Cl₂)"},
	"quantity.hocl":                   {"Hypochlorous acid (as Cl₂)", "Ácido hipocloroso (como Cl₂)"},
	"quantity.ph":                     {"pH", "pH"},
	"quantity.orp":                    {"ORP", "ORP"},
	"quantity.temperature":            {"Temperature", "Temperatura"},
	"quantity.temperature_difference": {"Water minus leaf temperature", "Temperatura del agua menos la hoja"},
	"quantity.salt":                   {"Salt", "Sal"},
	"quantity.conductivity":           {"Conductivity", "Conductividad"},
	"quantity.turbidity":              {"Turbidity", "Turbidez"},
	"quantity.cod":                    {"COD", "DQO"},
	"quantity.uv254":                  {"UV absorbance at 254 nm", "Absorbancia UV a 254 nm"},
	"quantity.water_level":            {"Water level", "Nivel de agua"},
	"quantity.contact_time":           {"Contact time", "Tiempo de contacto"},
	"quantity.elapsed":                {"Elapsed time", "Tiempo transcurrido"},
	"quantity.mass":                   {"Mass", "Masa"},
	"quantity.volume":                 {"Volume", "Volumen"},
	"quantity.count":                  {"Count", "Conteo"},
	"quantity.atp":                    {"ATP by luminescence", "ATP por luminiscencia"},
	"quantity.yes_no":                 {"Yes or no", "Sí o no"},
}
