package main

import "linewarden/internal/app"

// placeFlags say where a plant is kept.
type placeFlags struct {
	Data       string `help:"Data folder." placeholder:"DIR"`
	MongoDB    string `name:"mongodb" help:"MongoDB database in place of a data folder: the file that holds its URI, or the URI itself." placeholder:"FILE"`
	SigningKey string `help:"With a database: file with the site's signing key, or folder with SITE.signing-key." placeholder:"FILE"`
}

func (p *placeFlags) place() app.Place {
	return app.Place{Data: p.Data, MongoDB: p.MongoDB, SigningKey: p.SigningKey}
}
