package web

import (
	"net/url"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// laboratoryPage lists the samples that wait for results.
type laboratoryPage struct {
	*frame.Frame
	Waiting []frame.SampleView
	MayTake bool
}

// samplePage is one sample: where it went, its results, and what they say.
type samplePage struct {
	*frame.Frame
	Sample  frame.SampleView
	LotPath string
	Saved   bool
	MayAdd  bool
	MayPass bool

	lot *haccp.LotState
	is  laboratory.Sample
}

// sampleFormPage is the form of a sample taken, handed over, or received by the laboratory.
type sampleFormPage struct {
	*frame.Frame
	Form          frame.Form
	Title, Action string
	Fields        []frame.Field
}

func (s *Server) routeLaboratory(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/laboratory", in(s.laboratoryList))
	app.Get("/laboratory-sample", in(s.takeForm))
	app.Post("/laboratory-sample", in(s.takeSave))
	app.Get("/laboratory/:lot/:sample", in(s.sampleShow))
	for _, way := range []string{"receive", "pass"} {
		app.Get("/laboratory/:lot/:sample/"+way, in(s.custodyForm(way)))
		app.Post("/laboratory/:lot/:sample/"+way, in(s.custodySave(way)))
	}
	app.Get("/laboratory/:lot/:sample/:test", in(s.resultForm))
	app.Post("/laboratory/:lot/:sample/:test", in(s.resultSave))
}

func (s *Server) laboratoryList(c *fiber.Ctx, f *frame.Frame) error {
	p := &laboratoryPage{Frame: f, MayTake: f.May(haccp.KindLotSampled)}
	for _, l := range f.State.Lots() {
		for _, x := range l.Laboratory.Samples() {
			if v := f.SampleView(l, &x); v.Open > 0 {
				p.Waiting = append(p.Waiting, v)
			}
		}
	}
	return s.show(c, fiber.StatusOK, "laboratory", f.T("laboratory.title"), p)
}

// newSamplePage finds the sample of an address.
func (s *Server) newSamplePage(c *fiber.Ctx, f *frame.Frame) (*samplePage, error) {
	code, err := url.PathUnescape(c.Params("lot"))
	sample, also := url.PathUnescape(c.Params("sample"))
	if err != nil || also != nil {
		return nil, noPage()
	}
	l, ok := f.State.Lot(code)
	if !ok {
		events, err := plant.All(c.UserContext(), s.site, plant.Query{About: "lot:" + code, Descending: true})
		if err != nil {
			return nil, err
		}
		state := f.State.WithLots([]string{code}, haccp.Facts{Ranges: map[haccp.Range][]*haccp.Event{haccp.LotRange(code): plant.BySeq(events)}})
		if l, ok = state.Lot(code); !ok {
			return nil, noPage()
		}
	}
	x, ok := l.Laboratory.Sample(sample)
	if !ok {
		return nil, noPage()
	}
	return &samplePage{Frame: f, Sample: f.SampleView(l, &x), LotPath: "/lots/" + url.PathEscape(code), MayAdd: f.May(haccp.KindResult), MayPass: f.May(haccp.KindSamplePassed), lot: l, is: x}, nil
}

func (p *samplePage) title() string {
	return p.T("laboratory.sample", "sample", p.Sample.Sample, "lot", p.Sample.Lot)
}

func (s *Server) sampleShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newSamplePage(c, f)
	if err != nil {
		return err
	}
	p.Saved = c.Query("saved") != ""
	return s.show(c, fiber.StatusOK, "sample", p.title(), p)
}

func (s *Server) newTakePage(f *frame.Frame) *sampleFormPage {
	p := &sampleFormPage{Frame: f, Form: frame.NewForm(), Title: f.T("laboratory.take"), Action: "/laboratory-sample"}
	p.Fields = []frame.Field{{Type: "text", Name: "lot", Label: f.T("laboratory.lot"), Required: true}, {Type: "text", Name: "sample", Label: f.T("laboratory.sample-id"), Required: true},
		{Type: "number", Name: "units", Label: f.T("laboratory.units"), Required: true}, {Type: "text", Name: "where", Label: f.T("laboratory.where")}}
	if f.Plan != nil && len(f.Plan.Products) > 1 {
		products := frame.Field{Type: "choice", Name: "product", Label: f.T("laboratory.product"), Required: true}
		for _, x := range f.Plan.Products {
			products.Options = append(products.Options, frame.Choice{Code: x.ID, Word: x.Name})
		}
		p.Fields = append(p.Fields, products)
	}
	p.Fields = append(p.Fields, frame.Field{Type: "area", Name: "note", Label: f.T("form.note")})
	return p
}

func (s *Server) takeForm(c *fiber.Ctx, f *frame.Frame) error {
	p := s.newTakePage(f)
	p.Fields[0].Value = c.Query("lot")
	return s.show(c, fiber.StatusOK, "sampleform", p.Title, p)
}

func (s *Server) takeSave(c *fiber.Ctx, f *frame.Frame) error {
	p := s.newTakePage(f)
	p.Form = frame.ReadForm(c)
	frame.FillFields(c, p.Fields)
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &laboratory.Sampled{Lot: get("lot"), Sample: get("sample"), Units: wholeOf(get("units")), Where: get("where"), Product: get("product"), Note: get("note")}
	_, err := s.report(c, f, &p.Form, haccp.KindLotSampled, b)
	return s.saved(c, p, err, frame.SamplePath(b.Lot, b.Sample))
}

// saved goes on after a form was saved, or shows it again with what is wrong.
func (s *Server) saved(c *fiber.Ctx, p *sampleFormPage, err error, to string) error {
	if err == nil {
		return s.redirect(c, to)
	}
	members := map[string]string{"at": "at"}
	for i := range p.Fields {
		members[strings.ReplaceAll(p.Fields[i].Name, "-", "_")] = p.Fields[i].Name
	}
	status := s.refused(c, p.Frame, &p.Form, err, members)
	frame.MarkFields(p.Fields, p.Form.Wrong)
	return s.show(c, status, "sampleform", p.Title, p)
}

// newCustodyPage makes the form of a sample handed over, or received by the laboratory.
func (s *Server) newCustodyPage(c *fiber.Ctx, f *frame.Frame, way string) (*sampleFormPage, *samplePage, error) {
	x, err := s.newSamplePage(c, f)
	if err != nil {
		return nil, nil, err
	}
	p := &sampleFormPage{Frame: f, Form: frame.NewForm(), Title: f.T("laboratory."+way) + ": " + x.title(), Action: x.Sample.Path + "/" + way}
	whom := frame.Field{Type: "text", Name: "to", Label: f.T("laboratory.to"), Required: true}
	if way == "receive" {
		whom = frame.Field{Type: "text", Name: "laboratory", Label: f.T("laboratory.laboratory"), Required: true}
	}
	p.Fields = []frame.Field{whom, {Type: "amount", Name: "temperature", Label: f.T("quantity.temperature"), Options: frame.Units(quantity.Temperature)},
		{Type: "text", Name: "seal", Label: f.T("laboratory.seal")}, {Type: "text", Name: "condition", Label: f.T("laboratory.condition")}}
	if way == "receive" {
		p.Fields = append(p.Fields, frame.Field{Type: "text", Name: "unfit", Label: f.T("laboratory.unfit-why")})
	}
	p.Fields = append(p.Fields, frame.Field{Type: "area", Name: "note", Label: f.T("form.note")})
	return p, x, nil
}

func (s *Server) custodyForm(way string) frame.Handler {
	return func(c *fiber.Ctx, f *frame.Frame) error {
		p, _, err := s.newCustodyPage(c, f, way)
		if err != nil {
			return err
		}
		return s.show(c, fiber.StatusOK, "sampleform", p.Title, p)
	}
}

func (s *Server) custodySave(way string) frame.Handler {
	return func(c *fiber.Ctx, f *frame.Frame) error {
		p, x, err := s.newCustodyPage(c, f, way)
		if err != nil {
			return err
		}
		p.Form = frame.ReadForm(c)
		frame.FillFields(c, p.Fields)
		get := func(name string) string { return frame.FieldValue(p.Fields, name) }
		var temperature *quantity.Value
		if v, given := p.Fields[1].Amount(f); given {
			temperature = &v
		} else if p.Fields[1].Wrong != "" {
			p.Problem = f.T("form.look-below")
			return s.show(c, fiber.StatusUnprocessableEntity, "sampleform", p.Title, p)
		}
		if way == "receive" {
			_, err = s.report(c, f, &p.Form, haccp.KindSampleReceived, &laboratory.Received{Lot: x.Sample.Lot, Sample: x.Sample.Sample, Laboratory: get("laboratory"),
				Temperature: temperature, Seal: get("seal"), Condition: get("condition"), Unfit: get("unfit"), Note: get("note")})
		} else {
			_, err = s.report(c, f, &p.Form, haccp.KindSamplePassed, &laboratory.Passed{Lot: x.Sample.Lot, Sample: x.Sample.Sample, To: get("to"),
				Temperature: temperature, Seal: get("seal"), Condition: get("condition"), Note: get("note")})
		}
		return s.saved(c, p, err, x.Sample.Path)
	}
}
