package wording

// badgeTexts are the words about badges.
var badgeTexts = map[string]text{
	"badges.title":         {"Badges", "Gafetes"},
	"badges.text":          {"With a badge a person confirms an entry on an enrolled tablet, in place of the PIN: a scanner that types, or the tablet's camera, reads its QR code. The service keeps only a hash of it.", "Con un gafete se confirma un registro en una tableta dada de alta, en lugar del PIN: un lector que teclea, o la cámara de la tableta, lee su código QR. El servicio guarda solo un resumen criptográfico de él."},
	"badges.not":           {"What a badge is not", "Lo que un gafete no es"},
	"badges.not-signature": {"It is not a signature: signing asks for the password, always.", "No es una firma: para firmar siempre se pide la contraseña."},
	"badges.not-proof":     {"It does not prove who held it: whoever has it can log in that person's name. Revoke it at once when it is lost; the record says that a badge was shown, not that it was that person.", "No prueba quién lo tenía: quien lo tiene puede registrar en nombre de esa persona. Revóquelo de inmediato si se pierde; el registro dice que se mostró un gafete, no que fue esa persona."},
	"badges.not-offline":   {"Without network it works only for whoever has signed in on that tablet before; such entries are marked unverified, as with a PIN.", "Sin red sirve solo a quien ya entró antes en esa tableta; esos registros se marcan sin verificar, igual que con un PIN."},
	"badges.has":           {"has a badge", "tiene gafete"},
	"badges.none":          {"no badge", "sin gafete"},
	"badges.print":         {"Make a badge", "Hacer un gafete"},
	"badges.again":         {"Make a new one", "Hacer uno nuevo"},
	"badges.revoke":        {"Revoke", "Revocar"},
	"badges.qr":            {"QR code of the badge of {name}", "Código QR del gafete de {name}"},
	"badges.on-it":         {"Badge for entries beside the bath. It is not a signature. Found it? Hand it to the food-safety manager.", "Gafete para registros junto a la tina. No es una firma. ¿Lo encontró? Entréguelo a la persona responsable de inocuidad."},
	"badges.once":          {"Print this page now: only the badge is printed, and it is shown once. A badge from before no longer works.", "Imprima esta página ahora: solo se imprime el gafete, y se muestra una sola vez. El gafete anterior ya no sirve."},
	"nav.badges":           {"Badges", "Gafetes"},

	"who.pin-or-badge":  {"PIN, or scan the badge", "PIN, o lea el gafete"},
	"who.camera":        {"Read the badge with the camera", "Leer el gafete con la cámara"},
	"who.wrong-badge":   {"This badge is not known, or was revoked. What you typed is kept: use the PIN.", "Este gafete no se conoce o fue revocado. Lo escrito se conserva: use el PIN."},
	"who.badge-offline": {"No network: this badge was not used on this tablet before. Use the PIN.", "Sin red: este gafete no se ha usado antes en esta tableta. Use el PIN."},
	"who.no-camera":     {"The camera cannot be used. Use the PIN.", "No se puede usar la cámara. Use el PIN."},
}
