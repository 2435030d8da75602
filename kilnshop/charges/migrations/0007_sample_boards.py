"""Sample boards and packs with their weights, more about probes, and a drain that counts."""

import django.core.validators
import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from kilnshop.shop.guards import freeze


class Migration(migrations.Migration):

    dependencies = [
        ('charges', '0006_prong_and_degrade'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='charge',
            name='drain_counts',
            field=models.BooleanField(default=False, help_text='Condensate is read as a running total, not emptied from a bucket', verbose_name='the drain has a counter'),
        ),
        migrations.AddField(
            model_name='probe',
            name='corrects_temperature',
            field=models.BooleanField(default=False, verbose_name='the meter corrects for temperature itself'),
        ),
        migrations.AddField(
            model_name='probe',
            name='pin_length_in',
            field=models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0.1), django.core.validators.MaxValueValidator(8)]),
        ),
        migrations.AddField(
            model_name='probe',
            name='scale_species',
            field=models.CharField(blank=True, help_text='Blank: the coast Douglas-fir scale', max_length=60, verbose_name='meter is set to'),
        ),
        migrations.AddField(
            model_name='probe',
            name='temp_channel',
            field=models.PositiveSmallIntegerField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(8)], verbose_name='wood temperature from channel'),
        ),
        migrations.AlterField(
            model_name='correction',
            name='verdict',
            field=models.CharField(choices=[('ok', 'Corrected'), ('over', 'Over range'), ('below', 'Below range'), ('open', 'No contact')], default='ok', max_length=12),
        ),
        migrations.CreateModel(
            name='SampleBoard',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('board', 'Sample board'), ('pack', 'Pack')], default='board', max_length=5)),
                ('name', models.CharField(max_length=40)),
                ('position', models.CharField(blank=True, max_length=60, verbose_name='where in the stack')),
                ('charge_lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='samples', to='charges.chargelot')),
            ],
            options={
                'ordering': ['charge_lot', 'kind', 'name'],
            },
        ),
        migrations.CreateModel(
            name='SampleCut',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('weight', models.FloatField(validators=[django.core.validators.MinValueValidator(0.001), django.core.validators.MaxValueValidator(100000)])),
                ('unit', models.CharField(choices=[('lb', 'lb'), ('oz', 'oz'), ('g', 'g'), ('kg', 'kg')], max_length=2)),
                ('set_aside_why', models.CharField(blank=True, max_length=200)),
                ('start_mc_pct', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(300)])),
                ('start_sd_pct', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0), django.core.validators.MaxValueValidator(100)])),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('sample', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='%(class)ss', to='charges.sampleboard')),
            ],
            options={
                'ordering': ['at', 'id'],
                'abstract': False,
            },
        ),
        migrations.CreateModel(
            name='SampleSection',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('green', models.FloatField(validators=[django.core.validators.MinValueValidator(0.001), django.core.validators.MaxValueValidator(100000)])),
                ('oven_dry', models.FloatField(blank=True, null=True, validators=[django.core.validators.MinValueValidator(0.001), django.core.validators.MaxValueValidator(100000)])),
                ('unit', models.CharField(choices=[('lb', 'lb'), ('oz', 'oz'), ('g', 'g'), ('kg', 'kg')], max_length=2)),
                ('dried_at', models.DateTimeField(blank=True, null=True)),
                ('cut', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='sections', to='charges.samplecut')),
                ('dried_by', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'ordering': ['cut', 'id'],
            },
        ),
        migrations.CreateModel(
            name='SampleWeight',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('at', models.DateTimeField()),
                ('weight', models.FloatField(validators=[django.core.validators.MinValueValidator(0.001), django.core.validators.MaxValueValidator(100000)])),
                ('unit', models.CharField(choices=[('lb', 'lb'), ('oz', 'oz'), ('g', 'g'), ('kg', 'kg')], max_length=2)),
                ('set_aside_why', models.CharField(blank=True, max_length=200)),
                ('entry', models.UUIDField(default=uuid.uuid4, unique=True)),
                ('note', models.CharField(blank=True, max_length=200)),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('sample', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='%(class)ss', to='charges.sampleboard')),
            ],
            options={
                'ordering': ['at', 'id'],
                'abstract': False,
            },
        ),
        migrations.AddConstraint(
            model_name='sampleboard',
            constraint=models.UniqueConstraint(fields=('charge_lot', 'name'), name='one_sample_a_name', violation_error_message='That lot has a sample of this name already. Give it another.'),
        ),
        migrations.AddConstraint(
            model_name='samplesection',
            constraint=models.CheckConstraint(condition=models.Q(('oven_dry', None), ('oven_dry__lte', models.F('green')), _connector='OR'), name='section_not_heavier_when_dry', violation_error_message='A section cannot weigh more oven-dry than green.'),
        ),
        freeze("charges_samplecut"),
        freeze("charges_samplesection"),
        freeze("charges_sampleweight"),
    ]
