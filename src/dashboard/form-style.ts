/** Forms, notices, the account in the header. */
export const FORM_STYLE = `
.places { display: flex; flex-wrap: wrap; gap: .2rem .9rem; font-size: .875rem; }
.who { display: flex; flex-wrap: wrap; gap: .2rem .9rem; align-items: baseline; font-size: .875rem; }
.top > .where + .who, .top > .brand + .who { margin-left: auto; }
.who bdi { font-weight: 600; margin-left: -.5rem; }
.form { background: var(--sheet); border: 1px solid var(--line); padding: 1rem 1.2rem 1.2rem; max-width: 34rem; }
.form + .form { margin-top: 1rem; }
.form h2, .form h3 { margin-top: 0; }
.field { margin: 0 0 .9rem; }
.field label, legend { display: block; font-weight: 600; margin-bottom: .2rem; padding: 0; }
.field input, .field textarea, .reason-field input {
  width: 100%; font: inherit; padding: .5rem .6rem; border: 1px solid var(--ink); border-radius: 0;
  background: #fff; color: var(--ink);
}
fieldset { border: 0; margin: 0 0 .9rem; padding: 0; min-width: 0; }
.choice { display: grid; grid-template-columns: 1.2rem 1fr; gap: 0 .5rem; align-items: baseline; margin: .3rem 0; }
.choice .small { grid-column: 2; }
button {
  font: inherit; font-weight: 600; padding: .5rem 1.1rem; border: 1px solid var(--accent);
  background: var(--accent); color: #fff; cursor: pointer;
}
button:hover { background: var(--ink); border-color: var(--ink); }
.form + p, .form + div { margin-top: .8rem; }
button + .small { margin: .4rem 0 0; }
button.plain { background: var(--sheet); color: var(--accent); font-weight: 400; padding: .3rem .8rem; }
button.plain:hover { background: var(--quiet-ground); color: var(--ink); }
button.grave { background: var(--bad); border-color: var(--bad); }
.inline-form { display: inline; }
.notice { border: 1px solid currentColor; border-left-width: 6px; padding: .7rem 1rem .5rem; margin: 1rem 0; max-width: 44rem; background: var(--sheet); }
.notice-bad { border-color: var(--bad); background: var(--bad-ground); }
.notice-good { border-color: var(--good); background: var(--good-ground); }
.notice-quiet { border-color: var(--quiet); background: var(--quiet-ground); }
.secret { font: 1.3rem/1.5 ui-monospace, 'DejaVu Sans Mono', monospace; user-select: all; overflow-wrap: anywhere; }
.two { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1rem 1.5rem; align-items: start; }
.two .form + .form { margin-top: 0; }
.review-form { max-width: 48rem; }
.signatures > li { background: var(--sheet); border: 1px solid var(--line); border-left: 4px solid var(--accent); padding: .6rem 1rem .4rem; margin: 0 0 .6rem; max-width: 48rem; }
.this-one > * { background: var(--open-ground); }
.signatures > li > ul li { padding: .15rem 0; }
.plain-list + .form { margin-top: .8rem; }
.plain-list li { padding-left: 1rem; position: relative; }
.plain-list li::before { content: '·'; position: absolute; left: .2rem; font-weight: 700; }
.trace-form div { flex: 1 1 18rem; max-width: 34rem; }
.trace-form input { width: 100%; }
.facts-table { max-width: 60rem; }
.facts-table th { width: 18rem; font-weight: 400; color: var(--soft); }
.facts-table th, .facts-table td { padding: .25rem .8rem; font-size: .875rem; }
.hand-form { max-width: 60rem; display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 0 1.5rem; }
.hand-form .whole { grid-column: 1 / -1; }
.hand-form button { justify-self: start; grid-column: 1 / -1; }
.hand-form + .form, .look-form { margin-top: 1.2rem; }
.hand-form textarea, .labels { font-family: ui-monospace, 'DejaVu Sans Mono', monospace; }
.labels { columns: 9rem; padding: 0; list-style: none; max-width: 60rem; overflow-wrap: anywhere; }
@media (max-width: 40rem) { .hand-form { grid-template-columns: minmax(0, 1fr); } }
@media (max-width: 60rem) { .two { grid-template-columns: minmax(0, 1fr); } }
`;
