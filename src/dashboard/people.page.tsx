import type { JSX } from 'preact';
import type { OnePersonView, PeopleView, PersonView } from './account-view.js';
import { Field, Notice, OwnForm, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { Moment } from './marks.js';
import { renderPage } from './render-page.js';
import { RoleChoices, Roles } from './role-words.js';
import { Verbatim } from './verbatim.js';

export function personPath(userName: string): string {
  return `/people/${encodeURIComponent(userName)}`;
}

function PeoplePage({ view }: { readonly view: PeopleView }): JSX.Element {
  const { site, asOf, signedIn } = view;
  return (
    <Layout title="People" site={site} asOf={asOf} signedIn={signedIn} hasCautions={false}>
      <p class="crumb">
        <a href="/">The day</a>
      </p>
      <h1>
        People <span class="count">{view.people.length}</span>
      </h1>
      <Told notice={view.notice} />
      <PeopleTable people={view.people} />
      <h2>A new person</h2>
      <OwnForm action="/people" token={view.formToken}>
        <Field
          id="user-name"
          name="user-name"
          label="User name"
          value={view.draft.userName}
          hint="For signing in. It stays with this person for good, also after they have left."
        />
        <Field
          id="printed-name"
          name="printed-name"
          label="Printed name"
          value={view.draft.printedName}
          hint="As it stands beside a signature."
        />
        <Field
          id="operator-ids"
          name="operator-ids"
          label="Measures as"
          value={view.draft.operatorIds}
          hint="Ids that this person uses on instruments, between commas. Nobody may judge what was measured under an id of their own; leave it empty only for who never measures."
          isOptional
        />
        <RoleChoices chosen={view.draft.roles} />
        <Field
          id="predecessor"
          name="predecessor"
          label="Earlier account"
          value={view.draft.predecessor}
          hint="User name of a deactivated account of the same person. Its ids on instruments pass to the new one, and what was done under it counts as this person’s own."
          isOptional
        />
        <Field
          id="predecessor-reason"
          name="reason"
          label="How you know that it is the same person"
          value={view.draft.reason}
          hint="Kept in the trail. Only with an earlier account."
          isOptional
        />
        <button type="submit">Make the account</button>
        <p class="small">Shows an initial password once; the person has to choose another.</p>
      </OwnForm>
    </Layout>
  );
}

function PeopleTable({ people }: { readonly people: readonly PersonView[] }): JSX.Element {
  return (
    <table>
      <caption>Everybody who has, or had, an account</caption>
      <thead>
        <tr>
          <th scope="col">Person</th>
          <th scope="col">Roles</th>
          <th scope="col">Measures as</th>
          <th scope="col">State</th>
          <th scope="col">Last sign-in</th>
        </tr>
      </thead>
      <tbody>
        {people.map((person) => (
          <tr key={person.userName}>
            <th scope="row">
              <a href={personPath(person.userName)}>
                <Verbatim>{person.printedName}</Verbatim>
              </a>{' '}
              <span class="small">
                <Verbatim>{person.userName}</Verbatim>
                {person.isSelf ? ' (you)' : ''}
              </span>
            </th>
            <td data-label="Roles">
              <Roles roles={person.roles} />
            </td>
            <td data-label="Measures as">
              {person.operatorIds.length === 0 ? (
                <span class="none">nobody</span>
              ) : (
                <Verbatim>{person.operatorIds.join(', ')}</Verbatim>
              )}
              <FormerIds person={person} />
            </td>
            <td data-label="State">
              <PersonState person={person} />
            </td>
            <td data-label="Last sign-in">
              {person.lastSignInAt === null ? (
                <span class="none">never</span>
              ) : (
                <Moment at={person.lastSignInAt} />
              )}
            </td>
          </tr>
        ))}
      </tbody>
    </table>
  );
}

function FormerIds({ person }: { readonly person: PersonView }): JSX.Element | null {
  const { formerOperatorIds: former } = person;
  return former.length === 0 ? null : (
    <p class="small">
      Measured as <Verbatim>{former.join(', ')}</Verbatim>
    </p>
  );
}

function PersonState({ person }: { readonly person: PersonView }): JSX.Element {
  switch (person.state) {
    case 'deactivated':
      return (
        <span>
          Deactivated {person.deactivatedAt === null ? '' : <Moment at={person.deactivatedAt} />}
        </span>
      );
    case 'locked':
      return (
        <span>
          Locked until {person.lockedUntil === null ? '' : <Moment at={person.lockedUntil} />}
        </span>
      );
    case 'must-change-password':
      return <span>Has to choose a password</span>;
    case 'active':
      return <span>In force</span>;
  }
}

function OnePersonPage({ view }: { readonly view: OnePersonView }): JSX.Element {
  const { site, asOf, signedIn, person } = view;
  const title = person.printedName;
  return (
    <Layout title={title} site={site} asOf={asOf} signedIn={signedIn} hasCautions={false}>
      <p class="crumb">
        <a href="/people">People</a>
      </p>
      <h1>
        <Verbatim>{person.printedName}</Verbatim>{' '}
        <span class="count">
          <Verbatim>{person.userName}</Verbatim>
        </span>
      </h1>
      {view.initialPassword === null ? null : <HandOver password={view.initialPassword} />}
      <Told notice={view.notice} />
      <p>
        <PersonState person={person} />
      </p>
      <SamePerson person={person} />
      {person.state === 'deactivated' ? (
        <p>
          An account that was deactivated stays so, and its user name stays with it. Somebody who
          comes back gets a new one, which names this one as their earlier account.
        </p>
      ) : (
        <PersonForms view={view} />
      )}
    </Layout>
  );
}

function SamePerson({ person }: { readonly person: PersonView }): JSX.Element {
  const { predecessors, successor } = person;
  return (
    <>
      {predecessors.length === 0 ? null : (
        <p>
          The same person as{' '}
          {predecessors.map((name, at) => (
            <span key={name}>
              {at === 0 ? '' : ', '}
              <PersonLink userName={name} />
            </span>
          ))}
        </p>
      )}
      {successor === null ? null : (
        <p>
          Goes on as <PersonLink userName={successor} />
        </p>
      )}
    </>
  );
}

function PersonLink({ userName }: { readonly userName: string }): JSX.Element {
  return (
    <a href={personPath(userName)}>
      <Verbatim>{userName}</Verbatim>
    </a>
  );
}

function HandOver({ password }: { readonly password: string }): JSX.Element {
  return (
    <Notice tone="good" title="Initial password, shown this once">
      <p class="secret">
        <code>{password}</code>
      </p>
      <p>Hand it over in person. It opens nothing but the page where another is chosen.</p>
    </Notice>
  );
}

function PersonForms({ view }: { readonly view: OnePersonView }): JSX.Element {
  const { person, formToken } = view;
  const path = personPath(person.userName);
  return (
    <div class="two">
      <OwnForm action={`${path}/roles`} token={formToken}>
        <h2>Roles</h2>
        <RoleChoices chosen={person.roles} />
        <Reason id="roles-reason" />
        <button type="submit">Change roles</button>
        {person.isSelf ? (
          <p class="small">You can give up a role here, and give yourself none.</p>
        ) : null}
      </OwnForm>
      <OwnForm action={`${path}/operators`} token={formToken}>
        <h2>Measures as</h2>
        <Field
          id="operator-ids"
          name="operator-ids"
          label="Ids on instruments, between commas"
          value={person.operatorIds.join(', ')}
          hint="One that you leave out is ended. It stays with this person, who may not judge what was measured under it."
          isOptional
        />
        <FormerIds person={person} />
        <Reason id="operators-reason" />
        <button type="submit">Change ids</button>
      </OwnForm>
      <OwnForm action={`${path}/predecessor`} token={formToken}>
        <h2>Earlier account</h2>
        <p>
          For somebody who had an account before: says for good that the two are one person, who may
          judge nothing that either of them measured, announced or proposed.
        </p>
        <Field
          id="predecessor"
          name="predecessor"
          label="User name of the deactivated account"
          value=""
        />
        <Reason id="predecessor-reason" />
        <button type="submit">Name the earlier account</button>
      </OwnForm>
      {person.isSelf ? null : (
        <OwnForm action={`${path}/password`} token={formToken}>
          <h2>Forgotten password</h2>
          <p>Ends all sign-ins of this person and shows a new initial password once.</p>
          <Reason id="password-reason" />
          <button type="submit">Make a new password</button>
        </OwnForm>
      )}
      <OwnForm action={`${path}/unlock`} token={formToken}>
        <h2>Too many tries</h2>
        <p>Lets this person try again at once. Ask first whose tries they were.</p>
        <Reason id="unlock-reason" />
        <button type="submit">Unlock</button>
      </OwnForm>
      <OwnForm action={`${path}/deactivate`} token={formToken}>
        <h2>Deactivate</h2>
        <p>
          Ends the account for good and all its sign-ins at once. For an absence, take the roles
          instead.
        </p>
        <Reason id="deactivate-reason" />
        <button type="submit" class="grave">
          Deactivate for good
        </button>
      </OwnForm>
    </div>
  );
}

function Reason({ id }: { readonly id: string }): JSX.Element {
  return <Field id={id} name="reason" label="Why" hint="Kept in the trail." />;
}

export function renderPeople(view: PeopleView): string {
  return renderPage(<PeoplePage view={view} />);
}

export function renderPerson(view: OnePersonView): string {
  return renderPage(<OnePersonPage view={view} />);
}
