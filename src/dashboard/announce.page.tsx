import type { JSX } from 'preact';
import { HAND_FIELDS, type HandDraft, type HandFault } from '../receipts/hand-draft.js';
import type { SecondLook } from '../receipts/second-look.js';
import type { NoticeView } from './account-view.js';
import { ANNOUNCE_PATH, announcePath } from './announce-path.js';
import { HAND_HINTS, HAND_LABELS } from './announce-words.js';
import type { MomentView, SiteView } from './day-view.js';
import { Field, Notice, OwnForm, Told } from './form-parts.js';
import { Layout } from './layout.js';
import { receiptPath } from './receipt-path.js';
import { renderPage } from './render-page.js';
import { SecondLookAt } from './second-look.js';
import type { SignedIn } from './signed-in.js';
import { Verbatim } from './verbatim.js';

export interface AnnouncePage {
  readonly site: SiteView;
  readonly asOf: MomentView;
  readonly signedIn: SignedIn | null;
  readonly formToken: string;
  readonly draft: HandDraft;
  readonly reason: string;
  /** ETag of the receipt that is changed; null for a new one. */
  readonly tag: string | null;
  readonly faults: readonly HandFault[];
  readonly notice: NoticeView | null;
  /** What would be saved; null while it is written. */
  readonly look: SecondLook | null;
  /** True when the second look is at cancelling it. */
  readonly isCancelling: boolean;
}

function Page(page: AnnouncePage): JSX.Element {
  const { draft, tag, notice } = page;
  const title = tag === null ? 'Announce a receipt line' : `Change receipt ${draft.receiptId}`;
  return (
    <Layout title={title} site={page.site} asOf={page.asOf} signedIn={page.signedIn}>
      <p class="crumb">
        {tag === null ? (
          <a href="/">The day</a>
        ) : (
          <a href={receiptPath(draft.receiptId)}>The receipt’s page</a>
        )}
      </p>
      <h1>
        {tag === null ? title : 'Change receipt '}
        {tag === null ? null : <Verbatim>{draft.receiptId}</Verbatim>}
      </h1>
      <Told notice={notice} />
      <Faults faults={page.faults} />
      {page.isCancelling ? (
        <CancelLook {...page} />
      ) : page.look === null ? (
        <Writing {...page} />
      ) : (
        <Looking {...page} look={page.look} />
      )}
    </Layout>
  );
}

function Faults({ faults }: { readonly faults: readonly HandFault[] }): JSX.Element | null {
  if (faults.length === 0) return null;
  return (
    <Notice tone="bad" title="Nothing was saved: this has to be corrected first">
      <ul>
        {faults.slice(0, FAULTS_SHOWN_MAX).map((fault) => (
          <li key={`${fault.field}${fault.message}`}>
            <strong>{HAND_LABELS[fault.field] ?? fault.field}</strong>: {fault.message}.{' '}
            {fault.remedy}
          </li>
        ))}
      </ul>
      {faults.length > FAULTS_SHOWN_MAX ? <p>and {faults.length - FAULTS_SHOWN_MAX} more</p> : null}
    </Notice>
  );
}

const FAULTS_SHOWN_MAX = 30;

function Writing({ draft, reason, tag, formToken }: AnnouncePage): JSX.Element {
  const action = tag === null ? ANNOUNCE_PATH : announcePath(draft.receiptId);
  return (
    <>
      <p class="small">
        Write what stands on the papers and labels; nothing is corrected for you. You see what would
        be saved before it is. What is announced by hand is marked so wherever the receipt is shown.
      </p>
      <OwnForm action={action} token={formToken} class="form hand-form">
        {HAND_FIELDS.filter((f) => f !== 'containers').map((field) =>
          field === 'receiptId' && tag !== null ? (
            <input type="hidden" name={field} value={draft[field]} key={field} />
          ) : (
            <Field
              key={field}
              id={field}
              name={field}
              label={HAND_LABELS[field]}
              value={draft[field]}
              isOptional={field !== 'receiptId' && field !== 'material'}
              {...(HAND_HINTS[field] === undefined ? {} : { hint: HAND_HINTS[field] })}
            />
          ),
        )}
        <p class="field whole">
          <label for="containers">{HAND_LABELS.containers}</label>
          <textarea
            id="containers"
            name="containers"
            rows={12}
            spellcheck={false}
            autocapitalize="none"
            aria-describedby="containers-hint"
            value={draft.containers}
          />
          <span class="small" id="containers-hint">
            {HAND_HINTS['containers']}
          </span>
        </p>
        <div class="whole">
          <Field
            id="reason"
            name="reason"
            label="Why by hand"
            hint="Stands in the trail, and in the receipt’s history."
            value={reason}
          />
        </div>
        <Hidden name="tag" value={tag ?? ''} />
        <button type="submit" name="step" value="look">
          Look at it before saving
        </button>
      </OwnForm>
      {tag === null ? null : (
        <OwnForm action={`${announcePath(draft.receiptId)}/cancel`} token={formToken}>
          <h2>Cancel it</h2>
          <p class="small">
            For what was sent back or never comes. Its results stay; it never conforms, and a
            conforming one is stopped at once.
          </p>
          <Field id="cancel-reason" name="reason" label="Why" />
          <Hidden name="tag" value={tag} />
          <button class="plain" type="submit" name="step" value="look">
            Look at what cancelling does
          </button>
        </OwnForm>
      )}
    </>
  );
}

function Looking(page: AnnouncePage & { readonly look: SecondLook }): JSX.Element {
  const { draft, reason, tag, formToken, look } = page;
  const action = tag === null ? ANNOUNCE_PATH : announcePath(draft.receiptId);
  return (
    <>
      <SecondLookAt look={look} reason={reason} />
      <OwnForm action={action} token={formToken} class="form look-form">
        <Kept draft={draft} reason={reason} tag={tag} />
        <Hidden name="seen" value={look.sha256} />
        <p class="small">Saving announces exactly what stands above, in your name.</p>
        <p>
          <button type="submit" name="step" value="save">
            Save it as it stands above
          </button>{' '}
          <button class="plain" type="submit" name="step" value="write">
            Back to writing
          </button>
        </p>
      </OwnForm>
    </>
  );
}

function CancelLook({ draft, reason, tag, formToken }: AnnouncePage): JSX.Element {
  return (
    <>
      <h2>Before it is cancelled</h2>
      <p>
        Receipt <Verbatim>{draft.receiptId}</Verbatim> is used no more. Its results stay, and what
        speaks against it goes on doing so. It never conforms; if it stands as conforming, every
        acting system gets a stop at once.
      </p>
      <p>
        Reason: <Verbatim>{reason}</Verbatim>
      </p>
      <OwnForm action={`${announcePath(draft.receiptId)}/cancel`} token={formToken}>
        <Hidden name="reason" value={reason} />
        <Hidden name="tag" value={tag ?? ''} />
        <button class="grave" type="submit" name="step" value="save">
          Cancel the receipt
        </button>{' '}
        <a href={announcePath(draft.receiptId)}>Leave it as it is</a>
      </OwnForm>
    </>
  );
}

function Kept(props: {
  readonly draft: HandDraft;
  readonly reason: string;
  readonly tag: string | null;
}): JSX.Element {
  return (
    <>
      {HAND_FIELDS.map((field) =>
        field === 'containers' ? (
          <textarea name={field} hidden value={props.draft[field]} key={field} />
        ) : (
          <Hidden name={field} value={props.draft[field]} key={field} />
        ),
      )}
      <Hidden name="reason" value={props.reason} />
      <Hidden name="tag" value={props.tag ?? ''} />
    </>
  );
}

function Hidden(props: { readonly name: string; readonly value: string }): JSX.Element {
  return <input type="hidden" name={props.name} value={props.value} />;
}

export function renderAnnounce(page: AnnouncePage): string {
  return renderPage(<Page {...page} />);
}
